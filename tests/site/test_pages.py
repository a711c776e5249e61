"""Goal: every page is whole and safe, and every button works with and without scripts.

Method: the real application on an invented evening in memory, asked as a browser asks.
"""

import re
from dataclasses import replace

import pytest

from haunt.core import events
from haunt.live.views import PropWord
from tests.site.night import EMPTY_NIGHT, a_night, a_prop
from tests.site.stage import HTMX, OWN, PAGES, Stage, a_stage

WICKED = '<script>alert("x")</script>'


@pytest.mark.parametrize("path", PAGES)
def test_every_page_opens_and_can_stop_the_show(stage: Stage, path: str) -> None:
    answer = stage.client.get(path)

    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")
    assert 'action="/stop"' in answer.text
    assert "not an emergency stop" in answer.text


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("state", ["stopped", "no link"])
def test_every_page_opens_while_stopped_and_without_a_broker(
    stage: Stage, path: str, state: str
) -> None:
    if state == "stopped":
        stage.client.post("/stop", headers=OWN)
    else:
        stage.desk.change(link_up=False)

    answer = stage.client.get(path)

    assert answer.status_code == 200
    assert ("Show stopped" in answer.text) == (state == "stopped")


@pytest.mark.parametrize("path", ["/", "/log", "/boards", "/release", "/help"])
def test_a_show_without_props_has_all_its_pages(path: str) -> None:
    with a_stage(EMPTY_NIGHT) as stage:
        stage.reader.rows = []
        answer = stage.client.get(path)

        assert answer.status_code == 200
        assert 'action="/stop"' in answer.text


@pytest.mark.parametrize("path", PAGES)
def test_a_name_or_a_place_cannot_become_markup(path: str) -> None:
    wicked = a_prop("owl", WICKED, PropWord.HELD, WICKED, held_by=WICKED, sentence=WICKED)
    night = replace(a_night([wicked]), show_name=WICKED, stopped=True, stopped_by=WICKED)
    with a_stage(replace(night, stop_unheard=("b-owl",), broken=WICKED)) as stage:
        text = stage.client.get(path).text

        assert WICKED not in text
        assert "&lt;script&gt;" in text


def test_every_state_of_a_prop_has_a_word_and_a_shape_of_its_own_on_tonight(
    stage: Stage,
) -> None:
    text = stage.client.get("/").text

    for word in ("Ready", "Waiting", "Rest", "Closed", "On hold", "Locked out", "Lost"):
        assert word in text


def test_tonight_says_what_is_broken_and_what_to_do(stage: Stage) -> None:
    text = stage.client.get("/").text

    assert "Gate porter, left of the gate" in text
    assert "heck the supply of board b-porter" in text
    assert "Spider loom: pack at 14 %" in text
    assert "phase late at 19:10" in text


def test_times_are_those_of_the_show(stage: Stage) -> None:
    stage.desk.change(time_zone="Asia/Tokyo")

    assert "03:30" in stage.client.get("/").text
    assert "03:40:05" in stage.client.get("/log").text


def test_a_prop_leads_to_its_board_and_not_to_all_of_them(stage: Stage) -> None:
    assert 'Board <a href="/boards/b-owl">b-owl</a>' in stage.client.get("/props/owl").text


def test_the_log_is_filtered_and_keeps_what_was_chosen(stage: Stage) -> None:
    answer = stage.client.get("/log", params={"prop": "owl", "outcome": "refused"})

    assert answer.status_code == 200
    asked = stage.reader.asked[-1]
    assert (asked["prop"], asked["outcome"]) == ("owl", "refused")
    assert '<option value="owl" selected>' in answer.text


@pytest.mark.parametrize("path", PAGES)
def test_a_theme_changes_no_markup_but_what_names_it(stage: Stage, path: str) -> None:
    """So that rules about markup need be looked at in one theme only."""
    told = set()
    for theme in ("night", "red", "light"):
        stage.client.cookies.set("theme", theme)
        text = stage.client.get(path).text
        assert f'<html lang="en" class="{theme}">' in text
        text = re.sub(r'class="(?:night|red|light)"| aria-pressed="true"', "", text)
        text = re.sub(r'<meta name="(?:color-scheme|theme-color)"[^>]*>|[0-9a-f]{128}', "", text)
        told.add(text)

    assert len(told) == 1


@pytest.mark.parametrize("path", ["/props/nobody", "/nothing", "/log?before=%C2%B2", "/static/no"])
def test_a_page_that_is_not_there_says_so_in_words_and_still_stops(stage: Stage, path: str) -> None:
    answer = stage.client.get(path)

    assert answer.status_code in {404, 422}
    assert answer.headers["content-type"].startswith("text/html")
    assert 'action="/stop"' in answer.text


def test_a_page_that_crashes_keeps_the_stop_and_hides_the_trace(stage: Stage) -> None:
    stage.reader.failing = OSError("secret path /var/lib")

    answer = stage.client.get("/log")

    assert answer.status_code == 500
    assert "The show goes on" in answer.text
    assert "secret" not in answer.text
    assert 'action="/stop"' in answer.text


def test_stop_and_release_work_as_plain_forms(stage: Stage) -> None:
    stopped = stage.client.post("/stop", headers=OWN | {"referer": "http://127.0.0.1/boards"})
    assert (stopped.status_code, stopped.headers["location"]) == (303, "/boards")
    assert stage.desk.view().stopped

    released = stage.client.post("/release", headers=OWN)
    assert (released.status_code, released.headers["location"]) == (303, "/")
    assert not stage.desk.view().stopped


@pytest.mark.parametrize("path", ["/stop", "/hold", "/release-hold", "/gentle", "/props/owl/hold"])
def test_htmx_gets_the_changed_parts_and_no_page(stage: Stage, path: str) -> None:
    answer = stage.client.post(path, headers=HTMX)

    assert answer.status_code == 200
    assert "<html" not in answer.text
    assert '<hx-partial hx-target="#bar"' in answer.text
    assert '<hx-partial hx-target="#needs"' in answer.text


def test_a_stop_by_htmx_shows_the_stopped_bar_at_once(stage: Stage) -> None:
    assert "Show stopped" in stage.client.post("/stop", headers=HTMX).text


def test_a_hold_for_a_minute_and_its_release_reach_the_desk(stage: Stage) -> None:
    stage.client.post("/props/owl/hold", headers=OWN, data={"for_s": "60"})
    stage.client.post("/props/owl/release", headers=OWN)

    hold, release = stage.desk.orders
    assert isinstance(hold, events.Held)
    assert (hold.prop, hold.for_ms) == ("owl", 60_000)
    assert isinstance(release, events.HoldReleased)


def test_gentle_lasts_three_minutes(stage: Stage) -> None:
    stage.client.post("/gentle", headers=OWN)

    [order] = stage.desk.orders
    assert isinstance(order, events.PhaseByHand)
    assert (order.phase, order.for_ms) == ("gentle", 180_000)


def test_firing_by_htmx_says_what_came_of_it(stage: Stage) -> None:
    answer = stage.client.post("/props/owl/fire", headers=HTMX, data={"key": "one"})

    assert "Fired wake by hand." in answer.text


def test_a_cooldown_is_set_by_a_form_and_one_out_of_range_changes_nothing(stage: Stage) -> None:
    good = stage.client.post("/props/owl/cooldown", headers=OWN, data={"cooldown_s": "20"})
    bad = stage.client.post("/props/owl/cooldown", headers=OWN, data={"cooldown_s": "-3"})

    assert (good.status_code, bad.status_code) == (303, 422)
    assert stage.desk.view().props["owl"].cooldown_ms == 20_000
    assert "cooldown_s" in bad.text


def test_the_theme_is_chosen_on_the_server_and_remembered(stage: Stage) -> None:
    assert '<html lang="en" class="night"' in stage.client.get("/").text

    stage.client.post("/theme", headers=OWN, data={"theme": "red"})

    assert '<html lang="en" class="red"' in stage.client.get("/").text
    assert '<html lang="en" class="red"' in stage.client.get("/nothing").text


def test_a_desk_that_does_not_answer_is_told_within_its_time(stage: Stage) -> None:
    stage.desk.silent = True

    answer = stage.client.post("/stop", headers=OWN)

    assert answer.status_code == 503
    assert "did not answer" in answer.text
