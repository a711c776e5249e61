"""Goal: the page begins one rehearsal at a time, tells how far it is, and shows what to expect.

Method: the application over a stand-in that rehearses nothing, and a real outlook as its output.
"""

import json
from collections.abc import Iterator
from dataclasses import replace

import pytest

from haunt.bootstrap.rehearsal import as_json
from haunt.site.ports import Services
from haunt.site.workports import Work, WorkState
from haunt.study.outlook import outlook
from haunt.study.rehearsal import Plan, ground_of, rehearse_one
from tests.site.stage import OWN, Stage, a_stage
from tests.study.test_rehearsal import a_prop, a_show


class StandIn:
    """Satisfies `workports.Rehearsals`."""

    def __init__(self) -> None:
        self.work: Work | None = None
        self.begun: list[tuple[int, str, int | None, bool]] = []
        self.answer = Work(WorkState.RUNNING)

    def begin(self, nights: int, profile: str, groups: int | None, *, faults: bool) -> Work:
        self.begun.append((nights, profile, groups, faults))
        self.work = self.answer
        return self.answer

    def state(self) -> Work | None:
        return self.work

    def cancel(self) -> None:
        self.work = Work(WorkState.FAILED, said="ended early")


@pytest.fixture(scope="module")
def shared() -> StandIn:
    return StandIn()


@pytest.fixture(scope="module")
def stage(shared: StandIn) -> Iterator[Stage]:
    def dressed(plain: Services) -> Services:
        return replace(plain, rehearsals=shared)

    with a_stage(role="crew", dressed=dressed) as found:
        yield found


@pytest.fixture
def book(shared: StandIn) -> StandIn:
    vars(shared).update(vars(StandIn()))
    return shared


@pytest.fixture(scope="module")
def done() -> Work:
    file = a_show(props=a_prop("quick", 5) + a_prop("slow", 90))
    plan = Plan(groups=60, hours=1)
    ground = ground_of(file, plan)
    found = outlook(ground, plan, [rehearse_one(ground, plan, seed) for seed in range(3)])
    return Work(WorkState.DONE, output=json.dumps(as_json(found)))


def words(stage: Stage, path: str = "/rehearse") -> str:
    answer = stage.client.get(path)
    assert answer.status_code == 200, answer.text
    return " ".join(answer.text.split())


def test_a_rehearsal_begins_with_what_was_chosen(stage: Stage, book: StandIn) -> None:
    form = {"nights": "50", "profile": "street", "groups": "120", "faults": "1"}
    answer = stage.client.post("/rehearse", data=form, headers=OWN)

    assert (answer.status_code, answer.headers["location"]) == (303, "/rehearse")
    assert book.begun == [(50, "street", 120, True)]


def test_without_a_number_of_groups_the_profile_says_how_many(stage: Stage, book: StandIn) -> None:
    stage.client.post("/rehearse", data={"groups": "", "profile": "own"}, headers=OWN)
    assert book.begun == [(20, "own", None, False)]


@pytest.mark.parametrize(
    "form", [{"profile": "moon"}, {"nights": "0"}, {"nights": "201"}, {"groups": "many"}]
)
def test_what_cannot_be_is_refused(stage: Stage, book: StandIn, form: dict[str, str]) -> None:
    assert stage.client.post("/rehearse", data=form, headers=OWN).status_code == 422
    assert book.begun == []


def test_while_something_else_runs_it_says_so(stage: Stage, book: StandIn) -> None:
    book.answer = Work(WorkState.BUSY, said="busy")
    answer = stage.client.post("/rehearse", data={}, headers=OWN)

    assert answer.status_code == 422
    assert "Something else is being worked out" in answer.text


def test_it_tells_how_far_it_is_and_can_be_cancelled(stage: Stage, book: StandIn) -> None:
    book.work = Work(WorkState.RUNNING, 5, 20)
    page = words(stage)

    assert "Rehearsing: 5 of 20 nights" in page
    assert 'hx-get="/rehearse/outlook"' in page
    assert 'action="/rehearse/cancel"' in page
    assert stage.client.post("/rehearse/cancel", headers=OWN).status_code == 303
    assert "ended early" in words(stage)


def test_the_outlook_gives_the_middle_and_how_far_it_may_be_off(
    stage: Stage, book: StandIn, done: Work
) -> None:
    book.work = done
    page = words(stage, "/rehearse/outlook")
    found = json.loads(done.output)

    median = found["groups"]["median"]
    assert f"<dt>Groups</dt><dd>{median:.0f} (" in page
    assert "answers fewest" in page
    assert 'href="/manual/rules#rule-cooldown"' in page
    assert "b1: " in page
    assert "invented: small children" in page
    assert "A hint, no promise. People are drawn" in page


def test_the_page_names_every_profile(stage: Stage) -> None:
    page = words(stage)
    for name in ("Small children, then a peak, then teens", "On your own last nights"):
        assert name in page
