"""Goal: rows of the timetable fire at their instants, once, by the same rules as visitors.

Method: the virtual clock is moved over the instants; the wall clock is set forth and back.
"""

from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, NightSpec, TimeOfDay, Timetable
from haunt.core.decisions import Decision
from haunt.core.show import Behaviour, Show
from tests.core.stage import EVENING, Stage, prop, sensor, show, verdicts

MINUTE = 60_000
DAY = 24 * 60 * MINUTE
FIVE_PAST = TimeOfDay(17 * 60 + 5)
"""The stage begins at 17:00 UTC."""


def timed(*rows: Timetable, **more: object) -> Show:
    quick = prop(cooldown_ms=0, behaviours=(Behaviour("growl", 4000), Behaviour("chime", 1000)))
    return show(quick, prop("well", "b2", cooldown_ms=0), sensor(), timetable=rows, **more)


def due(decisions: list[Decision]) -> list[tuple[str, str, int]]:
    """Prop, outcome and UTC second of the day of each decision of the timetable."""
    return [
        (str(each.prop), str(each.outcome), each.wall_ms % DAY // 1000)
        for each in decisions
        if each.source == "timetable"
    ]


def test_a_row_fires_its_behaviour_at_its_minute_every_day() -> None:
    stage = Stage(timed(Timetable(3, "gate", "chime", FIVE_PAST)))
    assert stage.wait(5 * MINUTE - 1) == []

    assert due(stage.wait(1)) == [("gate", "fired", 17 * 3600 + 300)]
    assert stage.cues[0].behaviour == "chime"
    minute = stage.effects[0].wall_ms // MINUTE if isinstance(stage.effects[0], Decision) else 0
    assert stage.cues[0].cue == f"t-3-{minute}"
    assert due(stage.wait(DAY)) == [("gate", "fired", 17 * 3600 + 300)]


def test_the_behaviour_of_a_row_is_not_the_next_visitors() -> None:
    stage = Stage(timed(Timetable(0, "gate", "chime", FIVE_PAST)))
    stage.wait(5 * MINUTE)
    stage.finish()
    stage.plays()

    assert [cue.behaviour for cue in stage.cues] == ["chime", "growl"]


def test_a_decision_of_the_timetable_is_no_motion() -> None:
    stage = Stage(timed(Timetable(0, "gate", None, FIVE_PAST)))
    [decision] = stage.wait(5 * MINUTE)

    assert (decision.motion, decision.sensor, decision.waited_ms) == (None, None, 0)
    assert stage.arbiter.night.owed == 0


def test_it_goes_through_the_same_rules_and_never_waits() -> None:
    stage = Stage(timed(Timetable(0, "gate", None, FIVE_PAST)))
    stage.wait(5 * MINUTE - 4400)
    stage.do(events.FiredByHand, "gate", "k1", "growl")
    [decision] = [d for d in stage.wait(10 * MINUTE) if d.source == "timetable"]

    assert (decision.outcome, decision.reason, decision.margin) == ("refused", "playing", 100)


@pytest.mark.parametrize(
    ("order", "reason"),
    [
        ((events.Stopped,), "stopped"),
        ((events.WalkTest, True), "walk-test"),
        ((events.DoorsSet, "closed"), "closed"),
        ((events.Held,), "held"),
        ((events.LinkChanged, False), "no-link"),
    ],
)
def test_what_people_ordered_holds_for_the_timetable(
    order: tuple[object, ...], reason: str
) -> None:
    stage = Stage(timed(Timetable(0, "gate", None, FIVE_PAST)))
    stage.do(*order)  # type: ignore[arg-type]

    assert verdicts(stage.wait(5 * MINUTE)) == [("refused", reason)]


def test_it_does_not_play_past_the_closing() -> None:
    stage = Stage(timed())
    today = stage.arbiter.night.calendar.local_date(stage.now + stage.offset)
    night = NightSpec(today, TimeOfDay(17 * 60), FIVE_PAST, last_group_min=0)
    rows = (
        Timetable(0, "gate", "growl", every_min_ms=298_000, every_max_ms=298_000),
        Timetable(1, "well", None, every_min_ms=290_000, every_max_ms=290_000),
    )
    stage = Stage(timed(*rows, calendar=CalendarSpec(nights=(night,))))

    assert verdicts(stage.wait(298_000)) == [("fired", None), ("refused", "closed")]


def test_two_rows_of_one_instant_are_judged_in_row_order() -> None:
    rows = (Timetable(0, "gate", "chime", FIVE_PAST), Timetable(1, "gate", "growl", FIVE_PAST))
    stage = Stage(timed(*rows))

    assert [(d.outcome, d.reason) for d in stage.wait(5 * MINUTE)] == [
        ("fired", None),
        ("refused", "playing"),
    ]


def test_a_row_and_a_visitor_of_one_instant_do_not_both_fire() -> None:
    stage = Stage(timed(Timetable(0, "gate", "growl", FIVE_PAST)))
    stage.now += 5 * MINUTE
    decisions = stage.motion()

    assert [(d.source, d.outcome, d.reason) for d in decisions] == [
        ("timetable", "fired", None),
        ("motion", "refused", "playing"),
    ]


# --- every so often


def test_every_so_often_stays_within_its_bounds_and_repeats_with_the_seed() -> None:
    every = Timetable(0, "gate", None, every_min_ms=60_000, every_max_ms=90_000)
    first, again, other = (Stage(replace(timed(every), seed=seed)) for seed in (1, 1, 2))
    for stage in (first, again, other):
        stage.wait(100 * MINUTE)
    at = [cue.sent_ms for cue in first.cues]
    gaps = [b - a for a, b in pairwise(at)]

    assert 66 <= len(at) <= 100
    assert all(60_000 <= gap <= 90_000 for gap in gaps)
    assert len(set(gaps)) > 10
    assert at == [cue.sent_ms for cue in again.cues]
    assert at != [cue.sent_ms for cue in other.cues]


def test_every_so_often_keeps_to_its_hours() -> None:
    span = {"start": TimeOfDay(18 * 60), "end": TimeOfDay(18 * 60 + 30)}
    every = Timetable(0, "gate", None, None, 300_000, 300_000, **span)  # type: ignore[arg-type]
    stage = Stage(timed(every))
    seconds = [second for _prop, _outcome, second in due(stage.wait(DAY))]

    assert seconds == [18 * 3600 + 300 * n for n in range(6)]


@pytest.mark.parametrize(("start", "end"), [(FIVE_PAST, None), (None, FIVE_PAST)])
def test_a_row_that_names_one_end_of_its_hours_only_comes_all_day(
    start: TimeOfDay | None, end: TimeOfDay | None
) -> None:
    hour = 60 * MINUTE
    row = Timetable(0, "gate", every_min_ms=hour, every_max_ms=hour, start=start, end=end)

    assert len(Stage(timed(row)).wait(DAY)) == 24


def test_hours_may_cross_midnight() -> None:
    span = {"start": TimeOfDay(23 * 60 + 50), "end": TimeOfDay(10)}
    every = Timetable(0, "gate", None, None, 300_000, 300_000, **span)  # type: ignore[arg-type]
    stage = Stage(timed(every))
    seconds = [second for _prop, _outcome, second in due(stage.wait(DAY))]

    assert seconds == [23 * 3600 + 3000, 23 * 3600 + 3300, 0, 300]


def test_a_crew_that_keeps_tuning_does_not_put_a_row_off_for_ever() -> None:
    every = Timetable(0, "gate", None, every_min_ms=10 * MINUTE, every_max_ms=10 * MINUTE)
    stage = Stage(timed(every))
    for _ in range(30):
        stage.wait(MINUTE)
        stage.do(events.ShowChanged, timed(every))

    assert len(stage.cues) == 3


def test_a_row_that_was_changed_is_planned_anew() -> None:
    slow = Timetable(0, "gate", None, every_min_ms=10 * MINUTE, every_max_ms=10 * MINUTE)
    stage = Stage(timed(slow))
    stage.wait(MINUTE)
    fast = replace(slow, every_min_ms=2 * MINUTE, every_max_ms=2 * MINUTE)
    stage.do(events.ShowChanged, timed(fast))
    stage.wait(2 * MINUTE)

    assert len(stage.cues) == 1
    stage.do(events.ShowChanged, timed())
    stage.wait(60 * MINUTE)
    assert len(stage.cues) == 1


# --- only when people are, or are not, about


def test_only_after_motion_fires_while_somebody_was_seen_lately() -> None:
    row = Timetable(0, "gate", None, FIVE_PAST, only_after_motion_ms=60_000)
    for ago_ms, count in ((60_000, 1), (60_001, 0)):
        stage = Stage(timed(row))
        stage.do(events.Held)
        stage.wait(5 * MINUTE - ago_ms)
        stage.motion()
        stage.do(events.HoldReleased)
        stage.wait(ago_ms)
        assert len(stage.cues) == count
    stage = Stage(timed(row))
    assert stage.wait(DAY) == []


def test_only_after_quiet_fires_while_nobody_is_about() -> None:
    row = Timetable(0, "gate", None, FIVE_PAST, only_after_quiet_ms=60_000)
    for ago_ms, count in ((60_000, 1), (59_999, 0)):
        stage = Stage(timed(row))
        stage.do(events.Held)
        stage.wait(5 * MINUTE - ago_ms)
        stage.motion()
        stage.do(events.HoldReleased)
        stage.wait(ago_ms)
        assert len(stage.cues) == count
    stage = Stage(timed(row))
    assert len(stage.wait(5 * MINUTE)) == 1


# --- the wall clock


def test_a_clock_set_forth_over_an_instant_does_not_fire_it_late() -> None:
    stage = Stage(timed(Timetable(0, "gate", None, FIVE_PAST)))
    stage.jump_wall(10 * MINUTE)
    stage.do(events.ClockStepped)

    assert stage.wait(60 * MINUTE) == []
    assert len(stage.wait(DAY)) == 1


def test_a_clock_set_back_gives_the_same_cue_id_so_that_the_board_plays_once() -> None:
    stage = Stage(timed(Timetable(0, "gate", None, FIVE_PAST)))
    stage.wait(6 * MINUTE)
    stage.jump_wall(-10 * MINUTE)
    stage.do(events.ClockStepped)
    stage.wait(10 * MINUTE)

    assert len({cue.cue for cue in stage.cues}) == 1


def test_a_restart_over_an_instant_does_not_fire_it_late() -> None:
    stage = Stage(timed(Timetable(0, "gate", None, FIVE_PAST)))
    stage.restart(20 * MINUTE)

    assert stage.wait(60 * MINUTE) == []


def test_at_in_the_repeated_hour_fires_once_at_the_first() -> None:
    half_past_one = Timetable(0, "gate", None, TimeOfDay(90))
    spec = replace(timed(half_past_one), time_zone="America/New_York")
    midnight = 1_793_505_600_000  # 2026-11-01T04:00Z, 00:00 there; clocks go back at 06:00Z
    stage = Stage(spec, wall=midnight)

    assert due(stage.wait(DAY)) == [("gate", "fired", 5 * 3600 + 1800)]


def test_at_in_the_skipped_hour_fires_as_the_clocks_have_sprung() -> None:
    half_past_two = Timetable(0, "gate", None, TimeOfDay(150))
    spec = replace(timed(half_past_two), time_zone="America/New_York")
    midnight = 1_772_946_000_000  # 2026-03-08T05:00Z, 00:00 there; clocks spring at 07:00Z
    stage = Stage(spec, wall=midnight)

    assert due(stage.wait(DAY - 60 * MINUTE)) == [("gate", "fired", 7 * 3600)]


def test_a_row_at_sunset_comes_again_when_the_sun_does() -> None:
    """As north of the polar circle: four days and more without a sunset."""
    row = Timetable(0, "gate", None, TimeOfDay(0, from_sunset=True))
    first = date(2026, 11, 8)

    def sunset(day: date) -> int | None:
        return EVENING + (day - date(2026, 11, 1)).days * DAY if day >= first else None

    stage = Stage(show(prop(), timetable=(row,)), sunset=sunset)
    stage.wait(6 * DAY)
    assert stage.cues == []

    stage.wait(DAY)
    [cue] = stage.cues
    assert cue.sent_ms == 1_000_000 + 7 * DAY
