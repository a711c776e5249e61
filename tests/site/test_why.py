"""Goal: from any prop to its reason in one tap: number, limit, hour where the show is, the rule.

Method: the application on an invented evening whose journal holds decisions with their facts.
"""

import re
from dataclasses import replace

import pytest

from haunt.core.decisions import Decision, Outcome, Source
from haunt.live.cues import Trip
from haunt.live.sentences import reasons
from haunt.live.views import PropWord
from haunt.live.why.facts import Because
from haunt.site.presenter import Presenter
from tests.site.night import DUSK_MS, a_night, a_prop, a_row
from tests.site.stage import Stage

FACTS = {"number": 12_000, "limit": 12_000, "since_ms": DUSK_MS - 8_800}


def text_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def refused(reason: str = "cooldown", **facts: object) -> dict[str, object]:
    return a_row(1, "owl", "refused", reason) | {"margin": 3200, "because": facts or FACTS}


@pytest.mark.parametrize("path", ["/log", "/props/owl"])
def test_the_reason_is_said_with_its_limit_and_the_hour_where_the_show_is(
    stage: Stage, path: str
) -> None:
    stage.reader.rows = [refused()]
    stage.desk.change(time_zone="Asia/Tokyo")

    assert (
        "Refused: cooldown, 3.2 s left of 12 s. Fired for the previous group at 03:29:51. "
        "A motion 3.2 s later would have fired, or a rest of 8.8 s. The rule"
    ) in text_of(stage.client.get(path).text)


@pytest.mark.parametrize("reason", reasons())
def test_each_reason_leads_to_its_rule_in_the_manual(stage: Stage, reason: str) -> None:
    stage.reader.rows = [refused(reason)]
    anchor = f"rule-{reason}"

    assert f'href="/manual/rules#{anchor}"' in stage.client.get("/log").text
    assert f'id="{anchor}"' in stage.client.get("/manual/rules").text


def test_neighbours_and_sensors_are_called_as_people_call_them(stage: Stage) -> None:
    stage.reader.rows = [refused("stagger", cause="lantern", limit=5000, since_ms=DUSK_MS)]

    assert "Lantern child started at" in text_of(stage.client.get("/log").text)


def test_a_row_of_an_older_program_is_said_with_what_is_known(stage: Stage) -> None:
    stage.reader.rows = [a_row(1, "owl", "refused", "cooldown")]

    assert "Refused: cooldown, 4.2 s left." in text_of(stage.client.get("/log").text)


def test_programs_get_the_facts_with_a_props_last_decision(stage: Stage) -> None:
    last = Decision(
        DUSK_MS, DUSK_MS, Source.MOTION, None, "owl-eye", "owl", Outcome.REFUSED, "cooldown", None,
        None, 0, 3200,
    )  # fmt: skip
    facts = Because(12_000, 12_000, DUSK_MS - 8_800)
    stage.desk.change_prop("owl", last_decision=last, because=facts)
    stage.show_token("watch")

    found = stage.client.get("/api/v1/props/owl").json()

    assert found["last_decision"]["because"] == FACTS


@pytest.mark.parametrize(
    ("trip", "said"),
    [
        (Trip("c", "wake", DUSK_MS), "Sent 18:30:00, not heard yet"),
        (Trip("c", "wake", DUSK_MS, 38), "Sent 18:30:00 → heard 38 ms"),
        (Trip("c", "wake", DUSK_MS, 38, 6530, "finished"),
         "Sent 18:30:00 → heard 38 ms → done 6,530 ms"),
        (Trip("c", "wake", DUSK_MS, 38, 900, "aborted"),
         "Sent 18:30:00 → heard 38 ms → aborted 900 ms"),
    ],
)  # fmt: skip
def test_the_receipt_of_the_last_cue_is_told_step_by_step(trip: Trip, said: str) -> None:
    prop = a_prop("owl", "Tin owl", PropWord.PLAYING, trip=trip)

    assert Presenter(a_night([prop])).card(prop).receipt == said


def test_the_next_change_and_closing_are_said_with_what_is_left_without_scripts() -> None:
    night = replace(a_night(), closes_ms=DUSK_MS + 7_200_000)

    found = Presenter(night).summary()

    assert (found.next, found.next_left) == ("phase late at 19:10", "40 min")
    assert (found.closes, found.closes_left) == ("20:30", "2 h")


def test_closing_is_not_said_twice_where_it_is_the_next_change() -> None:
    night = replace(a_night(), next_change="closes", closes_ms=DUSK_MS + 2_400_000)

    assert Presenter(night).summary().closes == ""
