"""Goal: the log is read by any filter, by either clock, with its gaps, and as CSV of the same.

Method: the application on an invented evening; what the reader was asked, and the page's words.
"""

from zoneinfo import ZoneInfo

from haunt.site.clocks import Clock, lasting
from haunt.store.breaks import Break
from tests.site.night import DUSK_MS
from tests.site.stage import OWN, Stage

LONDON = ZoneInfo("Europe/London")
EVENING = DUSK_MS - 1_800_000  # 18:00, where the invented rows begin


def test_every_filter_reaches_the_reader_and_the_way_to_the_csv(stage: Stage) -> None:
    asked = {
        "prop": "owl",
        "sensor": "owl-eye",
        "outcome": "refused",
        "reason": "cooldown",
        "since": "2026-10-31T18:00",
        "until": "2026-10-31T19:00",
    }
    page = stage.client.get("/log", params=asked)

    assert page.status_code == 200
    found = stage.reader.asked[-1]
    assert {name: found[name] for name in ("prop", "sensor", "outcome", "reason")} == {
        name: asked[name] for name in ("prop", "sensor", "outcome", "reason")
    }
    assert found["until_ms"] - found["since_ms"] == 3_600_000
    for name, value in asked.items():
        assert f"{name}={value.replace(':', '%3A')}" in page.text


def test_the_csv_has_the_same_filters_as_the_page(stage: Stage) -> None:
    asked = {"sensor": "lantern-eye", "outcome": "fired"}
    page = stage.client.get("/log", params=asked).text
    lines = stage.client.get("/log.csv", params=asked).text.splitlines()

    assert len(lines) - 1 == page.count('<li class="fired">') > 0
    assert all("lantern-eye" in line for line in lines[1:])


def test_times_are_shown_by_the_clock_that_was_chosen(stage: Stage) -> None:
    assert ">18:01:05<" in stage.client.get("/log").text
    stage.client.post("/clock", data={"clock": "12"}, headers=OWN)

    page = stage.client.get("/log").text

    assert "6:01:05 pm" in page
    assert ">18:01:05<" not in page


def test_no_other_clock_is_kept(stage: Stage) -> None:
    answer = stage.client.post("/clock", data={"clock": "13"}, headers=OWN)
    assert "set-cookie" not in answer.headers


def test_what_broke_the_log_stands_between_the_decisions(stage: Stage) -> None:
    stage.reader.broken = [
        Break(EVENING + 1_830_000, "back", None),
        Break(EVENING + 1_815_000, "lost", None),
        Break(EVENING + 630_000, "off", EVENING + 510_000),
        Break(EVENING + 30_000, "off", None),
    ]
    page = stage.client.get("/log").text
    places = [
        page.index(words)
        for words in (
            "18:31:05",
            "The broker was back.",
            "The broker was lost",
            "18:30:05",
            "18:11:05",
            "at most since 18:08:30 (2 min): nobody was heard.",
            "18:10:05",
            "18:01:05",
            "no board had been heard before",
        )
    ]
    assert places == sorted(places)


def test_a_length_of_time_is_told_in_two_units() -> None:
    told = {4_000: "4 s", 119_000: "119 s", 150_000: "2 min", 3_600_000: "1 h"}
    assert {ms: lasting(ms) for ms in told} == told
    assert lasting(3_600_000 + 125_000) == "1 h 2 min"
    assert lasting(90_000_000) == "1 d 1 h"


def test_noon_and_midnight_are_twelve() -> None:
    by_twelve = Clock(LONDON, "12")
    assert [by_twelve.hour(each) for each in (0, 11, 12, 23)] == [
        "12 am",
        "11 am",
        "12 pm",
        "11 pm",
    ]
    assert Clock(LONDON, "24").hour(7) == "07:00"
    assert by_twelve.minute(DUSK_MS) == "6:30 pm"
