"""Goal: what boards tell (presence, reports, charge, epochs) decides as it should; oddities do not.

Method: one board's messages in order and out of it, on the virtual clock.
"""

from dataclasses import replace

import pytest

from haunt.core import events
from haunt.core.show import Behaviour, Link
from tests.core.stage import BOOT, Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
NEW_BOOT = "0123456789ab"


# --- presence


def test_a_prop_whose_board_is_gone_says_for_how_long() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.BoardGone, "b1")
    stage.wait(7000)

    assert lines(stage.motion()) == [("refused", "offline", 7000)]
    stage.do(events.BoardHere, "b1", BOOT)
    assert verdicts(stage.motion()) == FIRED


def test_a_board_going_decides_what_is_under_way_for_its_props_and_no_others() -> None:
    links = (Link("gate", 1000), Link("well", 1000))
    stage = Stage(show(prop(), prop("well", "b2"), sensor(links=links)))
    stage.motion()

    assert [(d.prop, d.reason) for d in stage.do(events.BoardGone, "b1")] == [("gate", "offline")]
    assert [(d.prop, d.reason) for d in stage.wait(1000)] == [("well", None)]


@pytest.mark.parametrize(
    ("kind", "words"),
    [(events.BoardGone, ("b1",)), (events.BoardHere, ("b1", NEW_BOOT, 0, "watchdog"))],
)
def test_a_board_gone_or_booted_ends_its_plays_and_the_rest_begins(
    kind: type[events.Event], words: tuple[object, ...]
) -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(1000)
    stage.do(kind, *words)
    stage.do(events.BoardHere, "b1", NEW_BOOT, 0, "watchdog")

    assert lines(stage.motion()) == [("refused", "cooldown", 10_000)]


def test_the_same_boot_greeting_again_ends_nothing() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.do(events.BoardHere, "b1", BOOT, 3_600_000, "power-on")

    assert stage.arbiter.night.props["gate"].play is not None


def test_boards_that_nobody_entered_change_nothing() -> None:
    stage = Stage(show(prop(), sensor()))
    for kind, words in (
        (events.BoardHere, ("b9", BOOT)),
        (events.BoardGone, ("b9",)),
        (events.BoardHealth, ("b9", BOOT, 0, 3)),
        (events.Reported, ("b9", "cue", "finished")),
    ):
        assert stage.do(kind, *words) == []

    assert verdicts(stage.motion()) == FIRED


# --- reports


def test_without_a_report_the_prop_is_busy_for_half_a_second_more_than_it_plays() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(4499)
    assert lines(stage.motion()) == [("refused", "playing", 10_001)]
    stage.wait(1)

    assert lines(stage.motion()) == [("refused", "cooldown", 10_000)]


@pytest.mark.parametrize("state", ["finished", "aborted"])
def test_a_report_of_the_end_begins_the_rest(state: str) -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(1500)
    stage.finish(state=state)

    assert lines(stage.motion()) == [("refused", "cooldown", 10_000)]


def test_a_started_report_changes_nothing() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(20)
    stage.finish(state="started")

    assert lines(stage.motion()) == [("refused", "playing", 14_480)]


def test_a_refused_cue_leaves_no_trace_but_its_decision() -> None:
    things = (
        prop(hourly_cap=1, neighbours=("well",), duty_permille=10),
        prop("well", "b2", neighbours=("gate",)),
    )
    stage = Stage(show(*things, sensor(), sensor("mat", "well", "b2"), gap_ms=60_000))
    stage.motion()
    stage.wait(100)
    stage.finish(state="refused", why="no-beat")

    assert verdicts(stage.motion("mat")) == FIRED
    stage.finish("well", "refused", "no-beat")
    assert verdicts(stage.motion()) == FIRED
    assert stage.arbiter.night.fired == 3


def test_a_refused_cue_gives_back_the_rest_that_was_there_before() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.plays()
    stage.wait(2000)
    stage.do(events.FiredByHand, "gate", "k1")
    stage.wait(1000)
    stage.finish(state="refused", why="late")

    assert lines(stage.motion()) == [("refused", "cooldown", 7000)]


def test_a_refusal_as_a_repeat_means_that_the_board_plays_it_already() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.finish(state="refused", why="repeat")

    assert verdicts(stage.motion()) == [("refused", "playing")]


@pytest.mark.parametrize("state", ["started", "finished", "aborted"])
def test_an_odd_report_is_counted_and_changes_nothing(state: str) -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()

    stage.do(events.Reported, "b1", "no-such-cue", state)

    assert stage.arbiter.night.odd_reports == 1
    assert verdicts(stage.motion()) == [("refused", "playing")]


def test_a_report_by_another_board_does_not_end_the_play() -> None:
    stage = Stage(show(prop(), prop("well", "b2"), sensor()))
    stage.motion()
    stage.do(events.Reported, "b2", stage.cues[-1].cue, "finished")

    assert stage.arbiter.night.odd_reports == 1
    assert verdicts(stage.motion()) == [("refused", "playing")]


def test_a_refusal_that_comes_after_the_play_is_over_changes_nothing() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(4500)
    stage.do(events.Reported, "b1", stage.cues[-1].cue, "refused", "late")

    assert lines(stage.motion()) == [("refused", "cooldown", 10_000)]


def test_a_board_of_a_later_epoch_lifts_the_shows_epoch_above_its_own() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.do(events.Reported, "b1", stage.cues[-1].cue, "refused", "old-epoch", 77)

    assert (stage.stops[-1].stopped, stage.stops[-1].epoch) == (False, 78)
    assert verdicts(stage.motion()) == FIRED
    assert stage.cues[-1].epoch == 78


def test_a_board_of_a_later_epoch_does_not_lift_a_stop() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.Reported, "b1", "x", "refused", "old-epoch", 77)

    assert (stage.stops[-1].stopped, stage.stops[-1].epoch) == (True, 78)


def test_a_board_that_refuses_cue_upon_cue_does_not_break_the_arbiter() -> None:
    long = prop(behaviours=(Behaviour("long", 300_000),), cooldown_ms=0)
    stage = Stage(show(long, sensor()))
    for _ in range(2000):
        stage.motion()
        stage.finish(state="refused", why="no-beat")
        stage.wait(50)

    assert stage.arbiter.night.fired == 2000
    assert len(stage.arbiter.night.heap) <= 8 * 65


def test_many_triggers_ended_at_once_leave_no_timers_behind() -> None:
    links = (Link("gate", 60_000),)
    stage = Stage(show(*(prop(f"p{n}") for n in range(40)), prop(), sensor(links=links)))
    for n in range(40):
        spec = stage.arbiter.night.show
        walk = replace(spec.sensors[0], links=(Link(f"p{n}", 600_000),))
        stage.do(events.ShowChanged, replace(spec, sensors=(walk,)))
        for _ in range(64):
            stage.motion()
    assert len(stage.arbiter.night.items) == 40 * 64

    assert len(stage.do(events.Stopped)) == 40 * 64
    assert len(stage.arbiter.night.heap) == 0


# --- charge


def weighed(*readings: int, every_ms: int = 5000) -> Stage:
    stage = Stage(
        show(
            prop(
                retire_percent=20,
                stretch_percent=50,
                stretch_permille=1500,
                behaviours=(Behaviour("growl", 4000),),
            ),
            sensor(),
        )
    )
    for percent in readings:
        stage.wait(every_ms)
        stage.do(events.BoardHealth, "b1", BOOT, 0, percent)
    return stage


def test_a_pack_retires_its_prop_when_the_median_of_five_was_low_three_times_in_a_row() -> None:
    assert verdicts(weighed(*[19] * 6).motion()) == FIRED
    assert lines(weighed(*[19] * 7).motion()) == [("refused", "low-battery", 1)]


def test_the_level_itself_is_not_below_it() -> None:
    assert verdicts(weighed(*[20] * 12).motion()) == FIRED


def test_one_high_reading_between_does_not_hide_a_flat_pack_nor_one_low_a_full_one() -> None:
    assert verdicts(weighed(*[10] * 5, 90, 10, 10).motion()) == [("refused", "low-battery")]
    assert verdicts(weighed(*[90] * 5, 5, 90, 5, 90, 5, 90).motion()) == FIRED


def test_a_retired_prop_comes_back_at_ten_points_more_and_no_earlier() -> None:
    stage = weighed(*[10] * 7, *[29] * 5)
    assert verdicts(stage.motion()) == [("refused", "low-battery")]
    for _ in range(3):
        stage.do(events.BoardHealth, "b1", BOOT, 0, 30)

    assert verdicts(stage.motion()) == FIRED


def test_a_retired_prop_comes_back_by_hand() -> None:
    stage = weighed(*[10] * 7)
    stage.do(events.ServiceChanged, "gate", False)
    assert verdicts(stage.motion()) == FIRED


@pytest.mark.parametrize(
    ("rest_ms", "verdict"), [(4999, FIRED), (5000, [("refused", "low-battery")])]
)
def test_only_readings_at_rest_count(rest_ms: int, verdict: object) -> None:
    stage = weighed()
    for _ in range(7):
        stage.do(events.FiredByHand, "gate", f"k{stage.now}")
        stage.do(events.BoardHealth, "b1", BOOT, 0, 5)
        stage.wait(4000)
        stage.finish()
        stage.wait(rest_ms)
        stage.do(events.BoardHealth, "b1", BOOT, 0, 5)
    stage.wait(60_000)

    assert verdicts(stage.motion()) == verdict


def test_a_board_that_does_not_know_its_charge_is_left_alone() -> None:
    stage = weighed()
    for _ in range(9):
        stage.do(events.BoardHealth, "b1", BOOT, 0, None)

    assert verdicts(stage.motion()) == FIRED


def test_a_pack_that_retires_the_prop_ends_what_waits_for_it() -> None:
    stage = weighed(*[10] * 6)
    stage.do(events.FiredByHand, "gate", "k1")
    stage.wait(4000)
    stage.finish()
    stage.wait(12_500)
    assert stage.motion() == []

    decisions = stage.do(events.BoardHealth, "b1", BOOT, 0, 10)

    assert lines(decisions) == [("refused", "low-battery", 10)]


@pytest.mark.parametrize(("percent", "rest_ms"), [(49, 15_000), (50, 10_000)])
def test_below_the_stretch_level_the_prop_rests_longer(percent: int, rest_ms: int) -> None:
    stage = weighed(percent)
    stage.plays()

    assert lines(stage.motion()) == [("refused", "cooldown", rest_ms)]


def test_a_better_charge_lets_a_waiting_trigger_go_at_once() -> None:
    stage = weighed(49, 49)
    stage.plays()
    stage.wait(13_000)
    assert stage.motion() == []
    stage.do(events.BoardHealth, "b1", BOOT, 0, 60)
    stage.do(events.BoardHealth, "b1", BOOT, 0, 60)

    assert verdicts(stage.do(events.BoardHealth, "b1", BOOT, 0, 60)) == FIRED
