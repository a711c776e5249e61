"""Goal: the night and the kept file never differ, whoever changes them and however slowly.

Method: a real keeper over a desk that obeys, is quicker, or does not answer; the store in memory.
"""

from concurrent.futures import Future

import pytest

from haunt.core import events
from haunt.live.crew import Answer, Crew, MakeEvent
from haunt.live.views import Labels
from haunt.site.keeper import Keeper
from haunt.site.plan.edits import Refused, Stale, change, copying, removing, saving, unless_changed
from haunt.site.plan.tables import table_of
from haunt.site.ports import KeptShow, ShowMovedOn
from haunt.store.writer import Writer
from haunt.wire.showdraft import Draft
from haunt.wire.showfile import read_show
from haunt.wire.showlines import Path
from tests.site.night import DUSK_MS, StandInDesk, a_night
from tests.site.plan.stage import GARDEN, PlanStage

PROPS = table_of("props")


def renamed(name: str) -> dict[str, list[str]]:
    return {"name": [name]}


class Quicker:
    """A keeper whose show somebody else changes just before a put, so many times."""

    def __init__(self, plan: PlanStage, times: int) -> None:
        self._plan, self.left, self.puts = plan, times, 0

    def kept(self) -> KeptShow:
        return self._plan.keeper.kept()

    def put(self, text: str, by: str, on: int | None = None) -> int:
        self.puts += 1
        if self.left:
            self.left -= 1
            self._plan.keeper.patch_prop("old-well", {"cooldown_s": 50 + self.left}, "Jory")
        return self._plan.keeper.put(text, by, on)


def test_a_change_is_made_anew_on_what_somebody_else_made_meanwhile(plan: PlanStage) -> None:
    keeper = Quicker(plan, 2)

    done = change(keeper, "Mara", saving(PROPS, "gatekeeper", renamed("Warden")))

    assert (keeper.puts, done.version) == (3, 4)
    assert 'name = "Warden"' in plan.text
    assert "cooldown_s = 50" in plan.text


def test_a_change_gives_up_when_others_are_always_quicker(plan: PlanStage) -> None:
    keeper = Quicker(plan, 1000)

    with pytest.raises(ShowMovedOn):
        change(keeper, "Mara", saving(PROPS, "gatekeeper", renamed("Warden")))
    assert "Warden" not in plan.text


def test_a_change_that_changes_nothing_makes_no_version(plan: PlanStage) -> None:
    done = change(plan.keeper, "Mara", saving(PROPS, "gatekeeper", renamed("Gatekeeper")))

    assert (done.version, done.is_changed) == (1, False)
    assert plan.desk.orders == []


def test_steps_that_fail_leave_everything_as_it_was(plan: PlanStage) -> None:
    def steps(draft: Draft) -> Path | None:
        draft.put(("stagger",), {"gap_s": 9})
        draft.put(("prop", 0), {"cooldown_s": -1})
        return None

    with pytest.raises(Refused) as caught:
        change(plan.keeper, "Mara", steps)

    assert [each.key for each in caught.value.faults] == ["prop[gatekeeper].cooldown_s"]
    assert (plan.text, plan.version, plan.desk.orders) == (GARDEN, 1, [])


def test_a_put_on_an_old_version_is_refused_with_the_newest_number(plan: PlanStage) -> None:
    plan.keeper.patch_prop("gatekeeper", {"name": "Warden"}, "Jory")

    with pytest.raises(ShowMovedOn) as caught:
        plan.keeper.put(GARDEN, "Mara", on=1)

    assert caught.value.version == 2
    assert plan.keeper.kept() == KeptShow(2, plan.text)
    assert plan.keeper.put(GARDEN, "Mara", on=2) == 3


class LateDesk(StandInDesk):
    """Takes orders and does not answer; with `begins` it has begun with each."""

    begins = False

    def submit(
        self, make: MakeEvent, *, by: str, what: str, about: str, labels: Labels | None = None
    ) -> "Future[Answer]":
        assert (by, what, about) == ("Mara", "show", "2"), labels
        self.orders.append(make(0, 0))
        answer: Future[Answer] = Future()
        if self.begins:
            answer.set_running_or_notify_cancel()
        return answer


def keeper_of(plan: PlanStage, desk: LateDesk) -> Keeper:
    save = Writer(plan.engine).save_show
    read = read_show(GARDEN, "show")
    keeper = Keeper(read, Crew(desk), save, lambda: DUSK_MS, 7, 1)
    keeper.answer_s = 0.001
    return keeper


def test_what_the_night_did_not_take_does_not_wait_for_the_next_start(plan: PlanStage) -> None:
    keeper = keeper_of(plan, LateDesk(a_night()))

    with pytest.raises(TimeoutError):
        keeper.put(GARDEN.replace("Gatekeeper", "Warden"), "Mara")

    newest = plan.shelf.versions(1)[0]
    assert keeper.kept() == KeptShow(newest.version, GARDEN)
    assert newest.text == GARDEN


def test_what_the_night_takes_at_this_moment_is_kept_though_the_answer_is_late(
    plan: PlanStage,
) -> None:
    desk = LateDesk(a_night())
    desk.begins = True
    keeper = keeper_of(plan, desk)

    assert keeper.put(GARDEN.replace("Gatekeeper", "Warden"), "Mara") == 2

    assert "Warden" in keeper.toml()
    assert [type(each) for each in desk.orders] == [events.ShowChanged]


def test_a_form_without_a_version_is_taken_as_it_is(plan: PlanStage) -> None:
    plan.keeper.patch_prop("gatekeeper", {"name": "Warden"}, "Jory")

    unless_changed(plan.keeper, None, PROPS, "gatekeeper", None)
    with pytest.raises(Stale):
        unless_changed(plan.keeper, None, PROPS, "gatekeeper", 1)  # nobody has that version
    unless_changed(plan.keeper, GARDEN, PROPS, "old-well", 1)


def test_only_rows_with_ids_are_copied_and_under_another(plan: PlanStage) -> None:
    done = change(plan.keeper, "Mara", copying(table_of("boards"), "well", {"id": "spare"}))
    assert done.row is not None
    assert (done.row.ref, done.row.value["battery"]["series"]) == ("spare", 2)

    done = change(plan.keeper, "Mara", removing(table_of("boards"), "spare"))
    assert (done.row, plan.text) == (None, GARDEN)
