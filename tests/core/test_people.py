"""Goal: what people may change at any moment does what they said, at once, and nothing more.

Method: each order given to a small show on the virtual clock, with triggers on their way.
"""

from dataclasses import replace
from typing import Any

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, TimeOfDay
from haunt.core.show import Behaviour, Link, Show
from tests.core.stage import BOOT, Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
HELD = [("refused", "held")]


def busy() -> Stage:
    """Return a stage with one trigger waiting for the gate, two walking to gate and well."""
    links = (Link("gate", 20_000), Link("well", 20_000))
    stage = Stage(show(prop(), prop("well", "b2"), sensor(links=links), sensor("mat"), gap_ms=1000))
    stage.plays("mat")
    stage.motion()
    stage.wait(8000)
    stage.motion("mat")
    assert len(stage.arbiter.night.items) == 3
    return stage


# --- stop


def test_stop_decides_all_pending_at_once_and_nothing_fires_while_it_is_latched() -> None:
    stage = busy()

    assert verdicts(stage.do(events.Stopped)) == [("refused", "stopped")] * 3
    assert stage.wait(60_000) == []
    assert lines(stage.motion("mat")) == [("refused", "stopped", None)]
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("refused", "stopped")]


def test_stop_comes_out_whole_in_the_same_instant_as_a_cue() -> None:
    stage = busy()
    stage.now += 2000

    decisions = stage.do(events.Stopped)

    assert verdicts(decisions) == [("fired", None), *[("refused", "stopped")] * 2]
    assert stage.stops[-1].epoch == stage.cues[-1].epoch + 1


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (events.BoardGone, ("b1",)),
        (events.LinkChanged, (False,)),
        (events.LockedOut, ("gate", True, "Ada")),
        (events.ServiceChanged, ("gate", True)),
        (events.Reported, ("b1", "x", "refused", "old-epoch", 50)),
        (events.ShowChanged, (show(prop("well", "b2")),)),
    ],
)
def test_what_changes_at_the_instant_of_a_cue_leaves_the_cue_lawful(
    kind: type[events.Event], words: tuple[object, ...]
) -> None:
    stage = busy()
    stage.now += 2000

    assert verdicts(stage.do(kind, *words))[0] == ("fired", None)


def test_a_second_press_tells_the_boards_again() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.Stopped)

    assert [each.stopped for each in stage.stops] == [True, True]
    assert stage.stops[1].epoch == stage.stops[0].epoch + 1


def test_a_stop_within_the_count_of_a_release_keeps_the_show_stopped() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.wait(4999)
    stage.do(events.Stopped)
    stage.wait(60_000)

    assert verdicts(stage.motion()) == [("refused", "stopped")]
    assert stage.stops[-1].stopped


def test_pressing_release_twice_does_not_begin_the_count_again() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.wait(3000)
    stage.do(events.StopReleased)
    stage.wait(2000)

    assert verdicts(stage.motion()) == FIRED


def test_a_release_without_a_stop_changes_nothing() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.StopReleased)
    stage.wait(5000)

    assert stage.stops == []
    assert verdicts(stage.motion()) == FIRED


def test_a_prop_rests_after_what_it_played_into_the_stop() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(1000)
    stage.do(events.Stopped)
    stage.finish(state="aborted")
    stage.do(events.StopReleased)
    stage.wait(5000)

    assert lines(stage.motion()) == [("refused", "cooldown", 5000)]


# --- hold


def test_a_hold_decides_the_pending_of_its_prop_only() -> None:
    stage = busy()

    held = stage.do(events.Held, "gate")

    assert [(each.prop, each.reason) for each in held] == [("gate", "held")] * 2
    assert [each.prop for each in stage.wait(20_000)] == ["well"]


def test_a_hold_on_all_holds_all_until_released() -> None:
    stage = busy()
    assert verdicts(stage.do(events.Held)) == HELD * 3
    stage.wait(86_400_000)
    assert lines(stage.motion("mat")) == [("refused", "held", None)]
    stage.do(events.HoldReleased)

    assert verdicts(stage.motion("mat")) == FIRED


def test_a_hold_for_a_time_counts_down_and_ends_by_itself() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Held, "gate", 60_000)
    stage.wait(59_999)

    assert lines(stage.motion()) == [("refused", "held", 1)]
    stage.wait(1)
    assert verdicts(stage.motion()) == FIRED


def test_a_short_hold_does_not_shorten_one_that_lasts_until_released() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Held, "gate")
    stage.do(events.Held, "gate", 1000)
    stage.wait(60_000)

    assert verdicts(stage.motion()) == HELD


def test_a_behaviour_under_way_runs_to_its_end_under_a_hold() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.do(events.Held, "gate")

    assert stage.arbiter.night.props["gate"].play is not None


# --- what could hurt someone


def armed() -> Stage:
    stage = Stage(show(prop(arm_by_hand=True), prop("well", "b2"), sensor()))
    stage.do(events.HoldReleased, "gate")
    assert stage.arbiter.night.props["gate"].held is False
    return stage


def test_a_prop_armed_by_hand_is_held_from_the_start_and_released_by_its_own_control() -> None:
    stage = Stage(show(prop(arm_by_hand=True), sensor()))
    stage.do(events.HoldReleased, None)

    assert verdicts(stage.motion()) == HELD
    stage.do(events.HoldReleased, "gate")
    assert verdicts(stage.motion()) == FIRED


def test_a_release_of_the_stop_never_releases_it() -> None:
    stage = armed()
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.wait(5000)

    assert verdicts(stage.motion()) == HELD


@pytest.mark.parametrize(("reset", "held"), [("power-on", True), ("watchdog", False)])
def test_it_is_held_again_when_its_board_was_powered_up(reset: str, *, held: bool) -> None:
    stage = armed()
    stage.do(events.BoardHere, "b1", "0123456789ab", 0, reset)

    assert stage.arbiter.night.props["gate"].held is held


@pytest.mark.parametrize(("away_ms", "held"), [(29_999, False), (30_000, True)])
def test_it_is_held_again_when_its_board_was_lost_for_half_a_minute(
    away_ms: int, *, held: bool
) -> None:
    stage = armed()
    stage.do(events.BoardGone, "b1")
    stage.wait(away_ms)
    stage.do(events.BoardHere, "b1", BOOT)

    assert stage.arbiter.night.props["gate"].held is held


def test_it_is_held_again_when_the_controller_restarts() -> None:
    stage = armed()
    stage.restart(1000)

    assert verdicts(stage.motion()) == HELD


def test_it_is_never_held_for_a_time_only() -> None:
    stage = armed()
    stage.do(events.Held, "gate", 1000)
    stage.wait(60_000)

    assert verdicts(stage.motion()) == HELD


def test_a_hold_for_a_time_on_all_does_not_end_for_it() -> None:
    stage = armed()
    stage.do(events.Held, None, 1000)
    stage.wait(1000)

    assert verdicts(stage.motion()) == HELD
    assert verdicts(stage.do(events.FiredByHand, "well", "k1")) == FIRED


# --- lock-out, service


def test_a_lock_out_has_no_timer_and_survives_restart_stop_and_a_swap_of_the_board() -> None:
    stage = busy()
    decided = stage.do(events.LockedOut, "gate", True, "Ada")
    stage.wait(86_400_000)
    stage.restart(60_000)
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.do(events.HoldReleased)
    stage.do(events.ServiceChanged, "gate", False)
    stage.do(events.BoardHere, "b1", "0123456789ab", 0, "power-on")
    stage.wait(60_000)

    assert verdicts(decided) == [("refused", "locked-out")] * 2
    assert lines(stage.motion("mat")) == [("refused", "locked-out", None)]
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("refused", "locked-out")]
    stage.do(events.LockedOut, "gate", False, "Ada")
    assert verdicts(stage.motion("mat")) == FIRED


def test_a_prop_out_of_service_is_decided_at_once_and_comes_back() -> None:
    stage = busy()

    assert (
        verdicts(stage.do(events.ServiceChanged, "gate", True))
        == [("refused", "out-of-service")] * 2
    )
    assert lines(stage.motion("mat")) == [("refused", "out-of-service", None)]
    stage.do(events.ServiceChanged, "gate", False)
    stage.wait(3000)
    assert verdicts(stage.motion("mat")) == FIRED


# --- walk test


def test_in_a_walk_test_sensors_are_heard_and_nothing_fires() -> None:
    stage = busy()

    assert verdicts(stage.do(events.WalkTest, True)) == [("refused", "walk-test")] * 3
    assert lines(stage.motion("mat")) == [("refused", "walk-test", None)]
    assert stage.arbiter.night.sensors["mat"].last_accepted_ms == stage.now
    stage.do(events.WalkTest, False)
    stage.wait(2000)
    assert verdicts(stage.motion("mat")) == FIRED


# --- phase by hand


def gentle_props() -> tuple[Behaviour, ...]:
    return (
        Behaviour("wave", 1000, intensity=2),
        Behaviour("leap", 1000, intensity=3),
        Behaviour("bolt", 1000, flash_mhz=1),
    )


def test_gentle_by_hand_holds_for_its_time_on_every_prop() -> None:
    gentle, wild = gentle_props()[:1], gentle_props()[1:]
    things = (prop(behaviours=gentle, cooldown_ms=0), prop("well", behaviours=wild))
    stage = Stage(show(*things, sensor(), sensor("mat", "well")))
    stage.do(events.PhaseByHand, "gentle", 180_000)
    stage.wait(179_999)

    assert lines(stage.motion("mat")) == [("refused", "audience", None)]
    assert verdicts(stage.motion()) == FIRED
    stage.wait(1)
    assert verdicts(stage.motion("mat")) == FIRED


def test_gentle_by_hand_can_be_ended_early() -> None:
    stage = Stage(show(prop(behaviours=gentle_props()[1:2]), sensor()))
    stage.do(events.PhaseByHand, "gentle")
    stage.do(events.PhaseByHand, None)

    assert verdicts(stage.motion()) == FIRED


def phased(*phases: PhaseSpec) -> Show:
    return show(prop(behaviours=gentle_props()), sensor(), calendar=CalendarSpec(phases=phases))


ALL_DAY = (TimeOfDay(0), TimeOfDay(0))
MORNING = (TimeOfDay(360), TimeOfDay(420))


def test_a_phase_of_the_show_can_be_switched_on_by_hand_with_its_own_limits() -> None:
    stage = Stage(phased(PhaseSpec("late", *MORNING, max_intensity=1, max_flash_mhz=0)))
    stage.do(events.PhaseByHand, "late")

    assert verdicts(stage.motion()) == [("refused", "audience")]


def test_by_hand_and_by_the_clock_the_least_intensity_and_the_largest_factor_hold() -> None:
    by_clock = PhaseSpec("day", *ALL_DAY, max_intensity=2, cooldown_permille=2000)
    by_hand = PhaseSpec("late", *MORNING, max_intensity=4, cooldown_permille=1500)
    stage = Stage(phased(by_clock, by_hand))
    stage.do(events.PhaseByHand, "late", 3_600_000)
    stage.plays(ms=1000)

    assert stage.cues[-1].behaviour in ("wave", "bolt")
    assert lines(stage.motion()) == [("refused", "cooldown", 20_000)]


def test_a_phase_by_hand_alone_may_shorten_the_rest() -> None:
    stage = Stage(phased(PhaseSpec("rush", *MORNING, cooldown_permille=500)))
    stage.do(events.PhaseByHand, "rush")
    stage.plays(ms=1000)

    assert lines(stage.motion()) == [("refused", "cooldown", 5000)]


# --- doors


def dated(last_group_min: int = 10) -> Stage:
    """Return a stage at 17:00 UTC of a night that opens at 17:30 and closes at 18:00."""
    stage = Stage(show(prop(), sensor()))
    tonight = NightSpec(
        stage.arbiter.night.calendar.local_date(stage.now + stage.offset),
        TimeOfDay(17 * 60 + 30),
        TimeOfDay(18 * 60),
        last_group_min,
    )
    quick = prop(cooldown_ms=0, behaviours=(Behaviour("growl", 4000),))
    return Stage(show(quick, sensor(), calendar=CalendarSpec(nights=(tonight,))))


MINUTE = 60_000


def test_a_night_is_open_from_its_opening_to_its_last_group() -> None:
    stage = dated()
    stage.wait(30 * MINUTE - 1)
    assert lines(stage.motion()) == [("refused", "closed", None)]
    stage.wait(1)
    assert verdicts(stage.motion()) == FIRED
    stage.wait(40 * MINUTE - 4001)
    assert verdicts(stage.motion()) == FIRED
    stage.finish(state="refused", why="late")
    stage.wait(1)

    assert verdicts(stage.motion()) == [("refused", "closed")]


def test_a_show_without_nights_is_always_open() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.wait(400 * 86_400_000)

    assert verdicts(stage.motion()) == FIRED


def test_what_walks_while_the_doors_close_is_closed_when_due() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 5000),))))
    stage.motion()
    stage.do(events.DoorsSet, "closed")

    assert verdicts(stage.wait(5000)) == [("refused", "closed")]


@pytest.mark.parametrize("state", ["closed", "paused"])
def test_doors_closed_or_paused_bar_all_until_the_timetable_has_them_again(state: str) -> None:
    stage = dated()
    stage.wait(35 * MINUTE)
    stage.do(events.DoorsSet, state)

    assert verdicts(stage.motion()) == [("refused", "closed")]
    stage.do(events.DoorsSet, "timetable")
    assert verdicts(stage.motion()) == FIRED


def test_doors_opened_by_hand_are_open_before_the_hour_and_have_no_planned_end() -> None:
    stage = dated()
    stage.do(events.DoorsSet, "open")
    assert verdicts(stage.motion()) == FIRED
    stage.wait(300 * MINUTE)

    assert verdicts(stage.motion()) == FIRED


def test_an_extended_closing_moves_the_end_by_so_much_planned_end_and_all() -> None:
    stage = dated()
    stage.do(events.DoorsSet, "extended", 20 * MINUTE)
    stage.do(events.DoorsSet, "extended", 10 * MINUTE)
    stage.wait(95 * MINUTE)
    assert verdicts(stage.motion()) == FIRED
    stage.wait(5 * MINUTE - 4001)
    assert verdicts(stage.motion()) == FIRED
    stage.finish(state="refused", why="late")
    stage.wait(1)

    assert verdicts(stage.motion()) == [("refused", "closed")]


def test_an_extension_does_not_open_the_doors_early() -> None:
    stage = dated()
    stage.do(events.DoorsSet, "extended", 20 * MINUTE)

    assert verdicts(stage.motion()) == [("refused", "closed")]


def test_an_extension_belongs_to_its_night() -> None:
    stage = dated()
    spec = stage.arbiter.night.show
    first = spec.calendar.nights[0]
    second = replace(first, date=first.date.fromordinal(first.date.toordinal() + 1))
    stage = Stage(replace(spec, calendar=CalendarSpec(nights=(first, second))))
    stage.do(events.DoorsSet, "extended", 20 * MINUTE)
    stage.wait(85 * MINUTE)
    assert verdicts(stage.motion()) == FIRED
    stage.wait(24 * 60 * MINUTE)

    assert verdicts(stage.motion()) == [("refused", "closed")]


# --- buttons


def buttoned(action: str, **more: Any) -> Stage:
    things = (prop(behaviours=gentle_props()), sensor(), sensor("knob", action=action, **more))
    return Stage(show(*things))


def test_a_stop_button_stops_whatever_its_sensor_rules_say() -> None:
    stage = buttoned("stop", links=())
    stage.do(events.Muted, "knob", True)
    stage.motion("knob")

    assert stage.stops[-1].stopped
    assert verdicts(stage.motion()) == [("refused", "stopped")]


def test_a_stop_button_never_fires_what_it_is_linked_to() -> None:
    stage = buttoned("stop")

    assert verdicts(stage.motion("knob")) == [("refused", "stopped")]
    assert stage.cues == []


def test_a_hold_button_holds_all() -> None:
    stage = buttoned("hold", links=())
    stage.motion("knob")

    assert verdicts(stage.motion()) == HELD


def test_a_gentle_button_makes_the_show_gentle_for_three_minutes() -> None:
    stage = buttoned("gentle", links=())
    stage.motion("knob")
    stage.wait(179_999)
    stage.motion()

    assert stage.cues[-1].behaviour == "wave"


@pytest.mark.parametrize("action", ["hold", "gentle"])
def test_a_muted_button_does_nothing(action: str) -> None:
    stage = buttoned(action, links=())
    stage.do(events.Muted, "knob", True)
    stage.motion("knob")

    assert stage.arbiter.night.hand_phase is None
    assert not stage.arbiter.night.props["gate"].held


def test_a_counting_button_gets_its_decision_and_changes_nothing() -> None:
    stage = buttoned("count", links=())

    assert verdicts(stage.motion("knob")) == [("refused", "no-prop")]
    assert verdicts(stage.motion()) == FIRED


# --- settings


def test_a_cooldown_turned_in_mid_night_holds_from_that_moment() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.plays()
    stage.wait(1000)
    stage.do(events.ShowChanged, show(prop(cooldown_ms=25_000), sensor()))

    assert lines(stage.motion()) == [("refused", "cooldown", 24_000)]


def test_a_behaviour_made_shorter_while_it_plays_ends_when_the_board_was_told() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(2000)
    short = prop(behaviours=(Behaviour("growl", 1000),))
    stage.do(events.ShowChanged, show(short, sensor()))

    assert lines(stage.motion()) == [("refused", "playing", 12_500)]
    stage.wait(2500)
    assert stage.arbiter.night.props["gate"].play is None


def test_triggers_for_a_prop_or_from_a_sensor_that_is_gone_are_refused() -> None:
    stage = busy()

    gone = stage.do(events.ShowChanged, show(prop(), sensor("mat")))

    assert verdicts(gone) == [("refused", "no-prop")] * 2
    assert verdicts(stage.wait(2000)) == FIRED


def test_a_cap_set_in_mid_night_counts_what_the_prop_did_before() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor()))
    stage.plays()
    stage.plays()
    stage.do(events.ShowChanged, show(prop(cooldown_ms=0, hourly_cap=2), sensor()))

    assert lines(stage.motion()) == [("refused", "hourly-cap", 3_600_000 - 8000)]
