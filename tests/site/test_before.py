"""Goal: a night opens on a checklist that fills itself, with ticks that carry a name and an hour.

Method: the real application on an invented evening in memory, asked as a browser asks.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from starlette.testclient import TestClient

from haunt.live.crew import Crew
from haunt.live.opening import TICKS
from haunt.site.app import create_app
from haunt.site.checkports import NoChecks
from haunt.site.hub import Hub
from haunt.site.ports import NoNights, Services, Sheet
from haunt.store.checks import Check
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import COOKIE, HERE, HTMX, OWN, Stage, an_entrance, secret_of
from tests.study.test_report import busy

DAY, NIGHT = "2026-10-31", "2026-11-01"


def tick(stage: Stage, line: str = "path-lit", done: str = "true") -> None:
    answer = stage.client.post("/before/tick", headers=OWN, data={"line": line, "done": done})
    assert answer.status_code == 303


def line_of(stage: Stage, line: str) -> str:
    found = re.search(rf'<li id="line-{line}".*?</li>', stage.client.get("/before").text, re.DOTALL)
    assert found is not None
    return found[0]


def test_each_line_by_itself_has_a_word_a_shape_a_why_and_a_way_to_mend_it(stage: Stage) -> None:
    text = stage.client.get("/before").text
    rows = re.findall(r'<li id="auto-.*?</li>', text, re.DOTALL)

    assert len(rows) == 10
    for row in rows:
        assert re.search(r"<strong>[A-Z][a-z]+: (good|look|mend|not known yet)</strong>", row)
        assert "<svg" in row
        assert re.search(r'<a href="/[a-z]*">', row)


def test_what_is_worst_stands_first(stage: Stage) -> None:
    words = re.findall(
        r"<strong>[A-Z][a-z]+: (good|look|mend|not)", stage.client.get("/before").text
    )

    assert words == sorted(words, key=["mend", "look", "not", "good"].index)
    assert words[0] == "mend", "the porter's board is not here"


def test_all_that_a_person_looks_at_is_there_and_none_of_it_is_ticked(stage: Stage) -> None:
    text = stage.client.get("/before").text

    for each in TICKS:
        assert f'id="line-{each.id}"' in text
    assert f"{len(TICKS)} of {len(TICKS)} not ticked yet" in text
    assert "Local codes and licensed people decide" in text


def test_a_tick_keeps_who_and_when_and_can_be_taken_back(stage: Stage) -> None:
    tick(stage)
    assert "Ticked by Mara at" in line_of(stage, "path-lit")
    assert "18:30" in line_of(stage, "path-lit")

    tick(stage, done="false")

    assert "Ticked by" not in line_of(stage, "path-lit")


def test_a_tick_by_somebody_else_stands_under_their_name(stage: Stage) -> None:
    tick(stage)
    stage.become("crew")
    tick(stage)

    assert "Ticked by Jory" in line_of(stage, "path-lit")


def test_a_tick_by_htmx_brings_the_line_and_the_count_and_no_page(stage: Stage) -> None:
    answer = stage.client.post("/before/tick", headers=HTMX, data={"line": "water"})

    assert answer.status_code == 200
    assert "<html" not in answer.text
    assert '<hx-partial hx-target="#line-water"' in answer.text
    assert f"{len(TICKS) - 1} of {len(TICKS)} not ticked yet" in answer.text
    assert "Ticked by Mara" in answer.text


def test_a_line_that_is_not_there_cannot_be_ticked(stage: Stage) -> None:
    answer = stage.client.post("/before/tick", headers=OWN, data={"line": "nonsense"})

    assert answer.status_code == 404


def test_signing_off_keeps_the_name_the_note_and_what_was_not_good(stage: Stage) -> None:
    tick(stage)
    stage.client.post("/before/sign", headers=OWN, data={"note": "fog  left out"})
    text = stage.client.get("/before").text

    assert "Signed off by Mara at 18:30" in text
    assert "fog left out" in text
    assert "Not good then: Boards: mend;" in text
    assert f"{len(TICKS) - 1} not ticked." in text


def test_a_sign_off_can_be_taken_back(stage: Stage) -> None:
    stage.client.post("/before/sign", headers=OWN)
    stage.client.post("/before/sign", headers=OWN, data={"done": "false"})

    assert "Signed off by" not in stage.client.get("/before").text


def test_who_only_watches_sees_it_all_and_changes_nothing(stage: Stage) -> None:
    stage.become("watch")
    text = stage.client.get("/before").text

    assert "Boards: mend" in text
    assert 'action="/before/sign"' not in text
    assert stage.client.post("/before/tick", headers=OWN, data={"line": "water"}).status_code == 403


def test_programs_read_the_same_lines(stage: Stage) -> None:
    tick(stage, "water")
    stage.show_token("watch")
    found = stage.client.get("/api/v1/before").json()

    assert found["day"] == DAY
    assert {each["id"] for each in found["lines"]} >= {"boards", "sensors", "packs", "stop"}
    [water] = [each for each in found["ticks"] if each["id"] == "water"]
    assert water["by"] == "Mara"
    assert found["signed"] is None


@pytest.mark.parametrize("theme", ["night", "red", "light"])
def test_it_can_be_read_in_every_light(stage: Stage, theme: str) -> None:
    stage.client.post("/theme", headers=OWN, data={"theme": theme})

    assert f'<html lang="en" class="{theme}"' in stage.client.get("/before").text


def test_a_note_cannot_become_markup(stage: Stage) -> None:
    stage.client.post("/before/sign", headers=OWN, data={"note": "<script>x</script>"})

    assert "<script>x" not in stage.client.get("/before").text


class OneNight(NoNights):
    def __init__(self, checks: dict[str, Check]) -> None:
        self.checks = checks

    def dates(self) -> list[str]:
        return [NIGHT]

    def sheet(self, day: str, earlier: int) -> Sheet | str:  # noqa: ARG002 - the port's word
        return Sheet(busy(), [], self.checks) if day == NIGHT else "no such night"


class TornKeeper(StandInKeeper):
    def toml(self) -> str:
        return "[show"


@contextmanager
def opened(role: str, **more: Any) -> Iterator[TestClient]:
    desk = StandInDesk(a_night())
    parts = {"reader": StandInReader(), "keeper": StandInKeeper(desk), **more}
    services = Services(
        crew=Crew(desk), hub=Hub(), wall_ms=lambda: DUSK_MS, entrance=an_entrance(), **parts
    )
    with TestClient(create_app(services), HERE, raise_server_exceptions=False) as client:
        client.cookies.set(COOKIE, secret_of(role))
        yield client


def test_a_show_file_that_cannot_be_read_is_said_in_words() -> None:
    with opened("crew", keeper=TornKeeper(StandInDesk(a_night()))) as client:
        answer = client.get("/before")

    assert answer.status_code == 422
    assert "mend it first" in answer.text
    assert 'action="/stop"' in answer.text


def test_a_nights_page_tells_what_was_checked_before_it() -> None:
    book = NoChecks()
    book.note(Check(NIGHT, "water", DUSK_MS, "Mara", done=True))
    book.note(Check(NIGHT, "signed", DUSK_MS, "Jory", done=True, note="wind: no banner"))
    with opened("watch", nights=OneNight(book.of(NIGHT)), checks=book) as client:
        text = client.get(f"/nights/{NIGHT}").text

    assert f"1 of {len(TICKS)} ticked, signed off by Jory at 18:30" in text
    assert "wind: no banner" in text
    assert "Mara, 18:30" in text
