"""Goal: in a walk test nothing fires, each hit stands big on the page, and what is silent is named.

Method: the application on an invented evening; the live part is drawn as the stream draws it.
"""

import re

import pytest

from haunt.core import events
from haunt.live.crew import Crew
from haunt.site.fragments import Fragments, environment, wants_of
from tests.site.night import DUSK_MS
from tests.site.stage import HTMX, OWN, Stage


def part(stage: Stage) -> str:
    return Fragments(Crew(stage.desk), environment(), lambda: DUSK_MS).html("walk")


def begin(stage: Stage) -> None:
    answer = stage.client.post("/walk/begin", headers=OWN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/walk")


def test_it_begins_and_ends_by_one_tap_under_a_name(stage: Stage) -> None:
    begin(stage)
    assert "since 18:30:00 by Mara" in stage.client.get("/walk").text
    stage.client.post("/walk/end", headers=OWN)

    begun, ended = stage.desk.orders
    assert isinstance(begun, events.WalkTest)
    assert isinstance(ended, events.WalkTest)
    assert (begun.on, begun.by, ended.on) == (True, "Mara", False)


def test_crew_may_and_who_only_watches_may_not(stage: Stage) -> None:
    stage.become("crew")
    begin(stage)
    stage.become("watch")

    assert stage.client.get("/walk").status_code == 200
    assert stage.client.post("/walk/end", headers=OWN).status_code == 403


def test_while_it_runs_tonight_says_so_and_ends_it_by_one_tap(stage: Stage) -> None:
    begin(stage)
    text = stage.client.get("/").text

    assert "Walk test since 18:30:00 by Mara: nothing fires" in text
    assert 'action="/walk/end"' in text
    stage.client.post("/walk/end", headers=OWN)
    assert 'action="/walk/end"' not in stage.client.get("/").text


def test_a_hit_stands_big_and_changes_the_number_that_a_sound_goes_by(stage: Stage) -> None:
    begin(stage)
    before = part(stage)
    stage.desk.see("owl-eye", hits=3)
    after = part(stage)

    assert 'data-hits="0"' in before
    assert 'data-hits="1"' in after
    assert '<p class="big">owl-eye</p>' in after
    assert "3 motions" in after


def test_what_was_not_seen_yet_is_named_and_all_seen_is_said(stage: Stage) -> None:
    begin(stage)
    for sensor in stage.desk.view().sensors:
        if sensor != "bell-eye":
            stage.desk.see(sensor)

    text = re.sub(r"<[^>]+>", "", part(stage))
    assert "Not seen yet: bell-eye PIR, pond." in text

    stage.desk.see("bell-eye")
    assert "Every sensor saw somebody." in part(stage)


def test_one_that_fires_without_a_pause_is_said_to_chatter(stage: Stage) -> None:
    stage.desk.see("owl-eye", hits=30, a_minute=11)
    assert "chatters" not in part(stage)

    stage.desk.see("owl-eye", hits=31, a_minute=12)

    text = re.sub(r"<[^>]+>", "", part(stage))
    assert "owl-eye: 12 motions in a minute: chatters" in text


def test_a_muted_sensor_is_not_called_silent(stage: Stage) -> None:
    stage.client.post("/sensors/owl-eye/mute", headers=OWN, data={"for_s": "600"})
    text = re.sub(r"<[^>]+>", "", part(stage))

    assert "Muted: owl-eye" in text
    assert "owl-eye" not in text.split("Not seen yet: ")[1].split(".")[0]


def test_the_stream_of_the_page_carries_the_bar_and_the_walk(stage: Stage) -> None:
    assert stage.client.get("/walk").text.count('hx-sse:connect="/stream?page=walk"') == 1
    wants = wants_of("walk")

    assert wants("walk")
    assert wants("bar")
    assert not wants("needs")


def test_a_range_is_kept_with_its_words_its_hour_and_a_name(stage: Stage) -> None:
    words = {"metres": "5.5", "words": "up to  the bench"}
    answer = stage.client.post("/walk/owl-eye/range", headers=OWN, data=words)

    assert answer.headers["location"] == "/walk#range-owl-eye"
    assert "5.5 m, up to the bench (2026-10-31 18:30, Mara)" in stage.client.get("/walk").text


def test_the_newest_range_stands(stage: Stage) -> None:
    for metres in ("5.5", "4"):
        stage.client.post("/walk/owl-eye/range", headers=OWN, data={"metres": metres, "words": ""})

    text = stage.client.get("/walk").text
    assert "4 m (2026-10-31 18:30, Mara)" in text
    assert "5.5 m" not in text


@pytest.mark.parametrize(
    ("sensor", "sent", "status"),
    [
        ("owl-eye", {"metres": "", "words": " "}, 422),
        ("owl-eye", {"metres": "-1", "words": ""}, 422),
        ("owl-eye", {"metres": "1000", "words": ""}, 422),
        ("nobody", {"metres": "4", "words": ""}, 404),
    ],
)
def test_a_range_that_says_nothing_is_refused_in_words(
    stage: Stage, sensor: str, sent: dict[str, str], status: int
) -> None:
    answer = stage.client.post(f"/walk/{sensor}/range", headers=OWN, data=sent)

    assert answer.status_code == status
    assert 'action="/stop"' in answer.text


def test_programs_begin_and_end_it_too(stage: Stage) -> None:
    stage.show_token("crew")

    begun = stage.client.post("/api/v1/walk-test", json={"on": True})

    assert begun.json() == {"walk_test": True}
    assert stage.client.post("/api/v1/walk-test", json={"on": False}).json() == {"walk_test": False}


def test_htmx_gets_the_walk_and_the_notice(stage: Stage) -> None:
    answer = stage.client.post("/walk/begin", headers=HTMX)

    assert '<hx-partial hx-target="#walk"' in answer.text
    assert "nothing fires" in answer.text
