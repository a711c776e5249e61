"""Goal: a clock of 12 hours, once chosen, stands wherever a time is shown, and in no JSON.

Method: the application on an invented evening, asked by two browsers that chose differently; words
that were made before anybody chose; the hub with phones of both kinds.
"""

import re
from zoneinfo import ZoneInfo

import pytest

from haunt.live.crew import Crew
from haunt.site.clocks import Clock
from haunt.site.fragments import Fragments, environment
from tests.site.night import DUSK_MS
from tests.site.stage import OWN, PAGES, Stage

READING = re.compile(r">[^<]*\b\d{1,2}:\d{2}(?::\d{2})?+(?! [ap]m)[^<]*<")
BERLIN = ZoneInfo("Europe/Berlin")


def choose(stage: Stage, clock: str) -> None:
    answer = stage.client.post("/clock", data={"clock": clock}, headers=OWN)
    assert answer.status_code == 303


@pytest.mark.parametrize("path", [*PAGES, "/alerts", "/walk", "/before", "/counts", "/packs"])
def test_a_page_of_twelve_hours_has_no_time_without_am_or_pm(stage: Stage, path: str) -> None:
    choose(stage, "12")
    text = stage.client.get(path).text.split("<main", 1)[-1]
    text = re.sub(r"<(pre|code)\b.*?</\1>", "", text, flags=re.DOTALL)

    assert [each for each in READING.findall(text) if "manual" not in path] == []


def test_the_choice_is_on_every_page_and_stays_until_another_is_made(stage: Stage) -> None:
    assert "18:30" in stage.client.get("/").text
    choose(stage, "12")
    text = stage.client.get("/").text
    assert "6:30 pm" in text
    assert 'data-clock="12"' in text
    assert 'value="12" aria-pressed="true"' in stage.client.get("/help").text
    choose(stage, "13")
    assert "6:30 pm" in stage.client.get("/").text
    choose(stage, "24")
    assert "18:30" in stage.client.get("/").text


def test_a_choice_leads_back_to_where_it_was_made(stage: Stage) -> None:
    where = {**OWN, "referer": "http://127.0.0.1/log?outcome=fired"}
    answer = stage.client.post("/clock", data={"clock": "12"}, headers=where)
    assert answer.headers["location"] == "/log?outcome=fired"


def test_programs_are_told_the_same_whatever_a_browser_chose(stage: Stage) -> None:
    before = stage.client.get("/api/v1/props").json()
    choose(stage, "12")
    assert stage.client.get("/api/v1/props").json() == before


def test_a_part_of_the_stream_is_drawn_by_the_clock_of_its_phone(stage: Stage) -> None:
    fragments = Fragments(Crew(stage.desk), environment(), lambda: DUSK_MS)

    assert "18:30" in fragments.html("summary", "24")
    assert "6:30 pm" in fragments.html("summary", "12")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("pack will not last, to about 20:50", "pack will not last, to about 8:50 pm"),
        ("Stopped since 00:05:09 by Mara.", "Stopped since 12:05:09 am by Mara."),
        ("from 11:59 to 12:00", "from 11:59 am to 12:00 pm"),
        ("3.2 s of 120:30 and 1:2", "3.2 s of 120:30 and 1:2"),
        ("a path of 10:00:00:00", "a path of 10:00:00:00"),
    ],
)
def test_words_made_for_everybody_are_told_by_the_chosen_clock(words: str, told: str) -> None:
    assert Clock(BERLIN, "12").retold(words) == told
    assert Clock(BERLIN, "24").retold(words) == words
