"""Goal: doors are opened, shut, paused and kept open longer by hand, under a name, and explained.

Method: the application on an invented evening; orders are read as the night would get them.
"""

from dataclasses import replace

import pytest

from haunt.core import events
from haunt.site.opening import choices_of
from tests.site.stage import OWN, Stage


def orders(stage: Stage) -> list[tuple[str, int, str]]:
    found = [each for each in stage.desk.orders if isinstance(each, events.DoorsSet)]
    return [(each.state, each.extend_ms, each.by) for each in found]


@pytest.mark.parametrize("state", ["open", "closed", "paused", "timetable"])
def test_one_tap_sets_the_doors_under_a_name(stage: Stage, state: str) -> None:
    answer = stage.client.post(f"/doors/{state}", headers=OWN)

    assert (answer.status_code, answer.headers["location"]) == (303, "/doors")
    assert orders(stage) == [(state, 0, "Mara")]


def test_a_quarter_of_an_hour_more_puts_the_closing_off(stage: Stage) -> None:
    stage.client.post("/doors/extended", headers=OWN)
    stage.client.post("/doors/extended", headers=OWN, data={"minutes": "30"})

    assert orders(stage) == [("extended", 900_000, "Mara"), ("extended", 1_800_000, "Mara")]
    for wrong in ("0", "181", "soon"):
        answer = stage.client.post("/doors/extended", headers=OWN, data={"minutes": wrong})
        assert answer.status_code == 422
    assert len(orders(stage)) == 2


def test_a_state_that_there_is_not_is_refused_in_words(stage: Stage) -> None:
    answer = stage.client.post("/doors/ajar", headers=OWN)

    assert answer.status_code == 422
    assert "open, closed, paused, timetable, extended" in answer.text
    assert orders(stage) == []


def test_the_page_offers_what_is_not_so_already(stage: Stage) -> None:
    text = stage.client.get("/doors").text

    assert "All the time: the show file names no night" in text
    assert 'action="/doors/open"' in text
    assert 'action="/doors/timetable"' not in text
    paused = replace(stage.desk.view(), doors="paused")
    assert [each.state for each in choices_of(paused)] == ["open", "closed", "timetable"]
    assert choices_of(paused)[-1].word == "By the hours"


def test_who_only_watches_sees_them_and_changes_nothing(stage: Stage) -> None:
    stage.become("watch")

    assert '<form method="post" action="/doors' not in stage.client.get("/doors").text
    assert stage.client.post("/doors/open", headers=OWN).status_code == 403


def test_a_program_sets_them_too(stage: Stage) -> None:
    answer = stage.client.post(
        "/api/v1/doors", json={"state": "extended", "for_s": 600}, headers=OWN
    )

    assert answer.status_code == 200
    assert set(answer.json()) == {"doors", "open"}
    assert orders(stage) == [("extended", 600_000, "Mara")]
    assert (
        stage.client.post("/api/v1/doors", json={"state": "ajar"}, headers=OWN).status_code == 422
    )
