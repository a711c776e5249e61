"""Goal: what people order and what the clock says begins and ends at its very instant.

Method: the instant itself and the millisecond beside it; clocks that spring forward, fall back or
are set by hand; sunsets that come, and one that does not.
"""

from datetime import UTC, date, datetime
from typing import Any

import pytest

from haunt.core import events
from haunt.core.calendar import Calendar
from haunt.core.clockwork import (
    CalendarSpec,
    NightSpec,
    PhaseSpec,
    QuietSpec,
    TimeOfDay,
    Timetable,
)
from haunt.core.moment import doors_open
from haunt.core.show import Behaviour, Link, Show
from tests.core.stage import EVENING, Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
MINUTE_MS, HOUR_MS = 60_000, 3_600_000
TODAY = date(2026, 11, 1)
"""The stage begins at 17:00 UTC."""
BERLIN = "Europe/Berlin"
SPRING, AUTUMN = date(2026, 3, 29), date(2026, 10, 25)
"""Clocks in Berlin change at 01:00 UTC on these days (European rule, as in the zone tables)."""


def clock(text: str) -> TimeOfDay:
    hours, minutes = text.split(":")
    return TimeOfDay(60 * int(hours) + int(minutes))


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def with_calendar(*things: Any, **more: Any) -> Show:
    return show(*things, calendar=CalendarSpec(**more))


# --- nights


def test_tonight_lasts_until_its_last_group_is_through() -> None:
    night = NightSpec(TODAY, clock("18:00"), clock("21:00"), last_group_min=10)
    calendar = Calendar(CalendarSpec(nights=(night,)), "UTC")
    opens, ends = utc("2026-11-01T18:00"), utc("2026-11-01T21:10")

    assert calendar.night_of(ends - 1) == (night, opens, ends)
    assert calendar.night_of(ends) is None


def test_of_two_nights_ahead_the_one_that_opens_first_is_next_in_whatever_order_they_stand() -> (
    None
):
    short = NightSpec(TODAY, clock("19:00"), clock("20:00"))
    long = NightSpec(TODAY, clock("18:00"), clock("23:00"))
    for nights in ((short, long), (long, short)):
        found = Calendar(CalendarSpec(nights=nights), "UTC").night_of(EVENING)
        assert found is not None
        assert found[0] is long


def test_a_night_that_closes_by_a_sun_that_does_not_set_is_no_night() -> None:
    night = NightSpec(TODAY, clock("18:00"), TimeOfDay(30, from_sunset=True))
    calendar = Calendar(CalendarSpec(nights=(night,)), "UTC")

    assert calendar.night_of(EVENING) is None
    assert not calendar.piece(utc("2026-11-01T18:30")).open


@pytest.mark.parametrize(
    ("day", "reading", "instant"),
    [
        (SPRING, "02:00", "2026-03-29T01:00"),  # skipped: its end
        (SPRING, "02:30", "2026-03-29T01:00"),
        (SPRING, "03:00", "2026-03-29T01:00"),
        (SPRING, "01:59", "2026-03-29T00:59"),
        (AUTUMN, "02:00", "2026-10-25T00:00"),  # twice: the first
        (AUTUMN, "02:59", "2026-10-25T00:59"),
        (AUTUMN, "03:00", "2026-10-25T02:00"),  # once only: the first 03:00 reads 02:00
    ],
)
def test_a_reading_at_the_change_of_clocks_names_its_instant(
    day: date, reading: str, instant: str
) -> None:
    calendar = Calendar(CalendarSpec(), BERLIN)

    assert calendar.first_instant(day, clock(reading)) == utc(instant)


@pytest.mark.parametrize("asked_ms", [0, 1, 500, 999])
def test_at_whatever_millisecond_one_asks_the_clocks_change_at_the_second(asked_ms: int) -> None:
    quiet = QuietSpec(clock("01:00"), clock("03:00"))
    change = utc("2026-03-29T01:00")
    calendar = Calendar(CalendarSpec(quiet=(quiet,)), BERLIN)
    calendar.piece(change - 5 * HOUR_MS + asked_ms)

    assert calendar.piece(change - 1).quiet
    assert not calendar.piece(change).quiet
    assert not calendar.piece(change + 500).quiet


# --- sunset


def sets_at_five_past(day: date) -> int | None:
    return utc(f"{day}T17:05")


def at_dusk() -> Show:
    night = NightSpec(TODAY, TimeOfDay(5, from_sunset=True), clock("23:00"))
    return with_calendar(prop(cooldown_ms=0), sensor(), nights=(night,))


@pytest.mark.parametrize("way", ["start", "restart", "change", "change and restart"])
def test_a_night_opens_at_its_sunset_after_a_restart_and_a_change_of_show_too(way: str) -> None:
    stage = Stage(at_dusk(), sunset=sets_at_five_past)
    if "change" in way:
        stage.do(events.ShowChanged, at_dusk())
    if "restart" in way:
        stage.restart()
    stage.wait(10 * MINUTE_MS - 1)

    assert verdicts(stage.motion()) == [("refused", "closed")]
    stage.wait(1)
    assert verdicts(stage.motion()) == FIRED


# --- doors


def extended() -> Stage:
    """Props run until 17:11, with five more minutes until 17:16."""
    night = NightSpec(TODAY, clock("16:00"), clock("17:01"), last_group_min=10)
    quick = prop(cooldown_ms=0, behaviours=(Behaviour("knock", 1_000),))
    stage = Stage(with_calendar(quick, sensor(), nights=(night,)))
    stage.do(events.DoorsSet, "extended", 5 * MINUTE_MS)
    return stage


def test_an_extended_night_ends_at_its_new_end_and_not_later() -> None:
    stage = extended()
    stage.wait(16 * MINUTE_MS - 1_001)
    assert verdicts(stage.motion()) == FIRED
    stage.wait(1_000)
    stage.finish()
    assert verdicts(stage.motion()) == [("refused", "closed")], "it would play past the end"

    assert doors_open(stage.arbiter.night)
    stage.wait(1)
    assert not doors_open(stage.arbiter.night)
    assert verdicts(stage.motion()) == [("refused", "closed")]


def test_back_to_the_timetable_the_extension_is_gone() -> None:
    stage = extended()
    stage.do(events.DoorsSet, "timetable")
    stage.wait(11 * MINUTE_MS)

    assert verdicts(stage.motion()) == [("refused", "closed")]


def test_doors_closed_by_hand_and_opened_keep_what_the_night_was_extended_by() -> None:
    stage = extended()
    stage.do(events.DoorsSet, "extended", MINUTE_MS)
    stage.wait(16 * MINUTE_MS)

    assert verdicts(stage.motion()) == FIRED, "the second extension goes on top of the first"


# --- stop, holds, locks


def test_what_happened_before_a_release_had_counted_to_its_end_gives_no_margin() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    assert lines(stage.motion()) == [("refused", "stopped", None)]
    stage.do(events.StopReleased)
    stage.wait(6_000)

    assert lines(stage.motion(age_ms=1_001)) == [("refused", "stopped", None)]
    assert verdicts(stage.motion(age_ms=1_000)) == FIRED


def test_holding_all_for_a_while_holds_those_behind_one_that_is_held_for_good() -> None:
    stage = Stage(show(prop(), prop("well", "b2"), sensor(), sensor("mat", "well", "b2")))
    stage.do(events.Held, "gate", None, "ada")
    stage.do(events.Held, None, 10_000, "bo")
    assert lines(stage.motion("mat")) == [("refused", "held", 10_000)]
    stage.wait(10_000)

    assert verdicts(stage.motion("mat")) == FIRED
    assert verdicts(stage.motion()) == [("refused", "held")]
    gate = stage.arbiter.night.props["gate"]
    assert gate.held_by == "ada"
    stage.do(events.HoldReleased, "gate")
    assert gate.held_by == "", "nobody's hold has nobody's name"


ORDERS: tuple[tuple[type[events.Event], tuple[object, ...]], ...] = (
    (events.Held, ("gate", None, "ada")),
    (events.HoldReleased, ("gate", "ada")),
    (events.LockedOut, ("gate", True, "ada")),
    (events.LockedOut, ("gate", False, "ada")),
    (events.ServiceChanged, ("gate", True, "ada")),
    (events.ServiceChanged, ("gate", False, "ada")),
    (events.FiredByHand, ("gate", "k1")),
)


@pytest.mark.parametrize(("kind", "words"), ORDERS)
def test_an_order_about_a_prop_lets_pages_look_at_that_prop_again(
    kind: type[events.Event], words: tuple[object, ...]
) -> None:
    stage = Stage(show(prop(), prop("well", "b2"), sensor()))
    stage.do(kind, *words)

    assert stage.arbiter.night.touched == {"gate"}


@pytest.mark.parametrize(("kind", "words"), ORDERS)
def test_an_order_about_a_prop_that_is_not_there_does_nothing(
    kind: type[events.Event], words: tuple[object, ...]
) -> None:
    stage = Stage(show(prop(), sensor()))
    before = stage.arbiter.snapshot()
    stage.do(kind, "attic", *words[1:])

    assert stage.arbiter.snapshot() == before


# --- what a button may mean


def pressed(action: str, **more: Any) -> Stage:
    brave = (Behaviour("bow", 1_000, intensity=3), Behaviour("leap", 1_000, intensity=5))
    stage = Stage(
        with_calendar(
            prop(behaviours=brave, cooldown_ms=0), sensor(), sensor("knob", action=action), **more
        )
    )
    stage.motion("knob")
    stage.effects.clear()
    return stage


def test_a_button_for_a_hold_holds_until_released_under_its_own_name() -> None:
    stage = pressed("hold")
    gate = stage.arbiter.night.props["gate"]

    assert (gate.held, gate.held_until_ms, gate.held_by) == (True, None, "button knob")


def test_a_button_for_gentle_uses_the_shows_own_gentle_phase_for_three_minutes() -> None:
    own = PhaseSpec("gentle", clock("03:00"), clock("03:01"), max_intensity=3)
    stage = pressed("gentle", phases=(own,))
    began = stage.now
    for _ in range(4):
        stage.wait(10_000)
        assert verdicts(stage.motion()) == FIRED
    assert {cue.behaviour for cue in stage.cues} == {"bow"}, "as gentle as this show says"

    assert stage.arbiter.night.hand_phase_until_ms == began + 180_000


def test_at_the_instant_at_which_a_phase_by_hand_ends_the_rest_is_the_plain_one() -> None:
    slow = PhaseSpec("slow", clock("03:00"), clock("03:01"), cooldown_permille=3_000)
    stage = Stage(with_calendar(prop(cooldown_ms=10_000), sensor(), phases=(slow,)))
    stage.do(events.PhaseByHand, "slow", 14_000)
    stage.plays()
    stage.wait(9_999)
    assert lines(stage.motion()) == [("refused", "cooldown", 20_001)]
    stage.wait(1)

    assert verdicts(stage.motion()) == FIRED


def test_a_stretched_rest_ends_at_a_whole_millisecond() -> None:
    slow = PhaseSpec("slow", clock("00:00"), clock("00:00"), cooldown_permille=1_500)
    stage = Stage(
        with_calendar(
            prop(cooldown_ms=10_001, stretch_percent=50, stretch_permille=1_001),
            sensor(),
            phases=(slow,),
        )
    )
    for _ in range(5):
        stage.do(events.BoardHealth, "b1", "7f3a91c2d405", 0, 10)
    stage.plays()

    [decision] = stage.motion()

    assert decision.margin == 10_001 * 1_500 // 1_000 * 1_001 // 1_000
    assert isinstance(decision.margin, int)


# --- the timetable


def timed(*rows: Timetable, **more: Any) -> Show:
    return show(prop(cooldown_ms=0), sensor(), timetable=rows, **more)


def test_two_rows_of_one_prop_play_each_its_own_behaviour() -> None:
    both = (Behaviour("growl", 1_000), Behaviour("chime", 1_000))
    rows = tuple(
        Timetable(n, "gate", what, clock(at))
        for n, (what, at) in enumerate((("chime", "17:05"), ("growl", "17:06"), ("chime", "17:07")))
    )
    stage = Stage(show(prop(behaviours=both, cooldown_ms=0), sensor(), timetable=rows))
    stage.wait(10 * MINUTE_MS)

    assert [cue.behaviour for cue in stage.cues] == ["chime", "growl", "chime"]


def test_a_clock_that_is_set_back_does_not_silence_a_row_that_comes_every_minute() -> None:
    stage = Stage(timed(Timetable(0, "gate", every_min_ms=MINUTE_MS, every_max_ms=MINUTE_MS)))
    stage.jump_wall(-HOUR_MS)
    stage.do(events.ClockStepped)

    assert verdicts(stage.wait(MINUTE_MS)) == FIRED


def test_a_controller_that_starts_at_the_very_instant_of_a_row_fires_it() -> None:
    stage = Stage(timed(Timetable(0, "gate", at=clock("17:05"))))
    stage.restart(5 * MINUTE_MS)

    assert verdicts(stage.decisions) == FIRED


def test_a_row_whose_hours_are_the_same_reading_twice_comes_all_day() -> None:
    day = clock("18:00")
    row = Timetable(0, "gate", every_min_ms=MINUTE_MS, every_max_ms=MINUTE_MS, start=day, end=day)
    stage = Stage(timed(row))

    assert verdicts(stage.wait(MINUTE_MS)) == FIRED


def test_a_row_whose_hours_hang_on_a_sun_that_does_not_set_never_comes() -> None:
    dusk = TimeOfDay(0, from_sunset=True)
    row = Timetable(
        0, "gate", every_min_ms=MINUTE_MS, every_max_ms=MINUTE_MS, start=dusk, end=clock("23:00")
    )
    stage = Stage(timed(row))

    assert stage.wait(26 * HOUR_MS) == []


def test_triggers_of_the_clock_and_of_visitors_never_share_a_number() -> None:
    rows = [Timetable(n, "gate", every_min_ms=MINUTE_MS, every_max_ms=MINUTE_MS) for n in range(2)]
    walker = sensor(links=(Link("gate", 70_000),))
    stage = Stage(show(prop(cooldown_ms=0), walker, timetable=tuple(rows)))
    for _ in range(6):
        stage.motion()
        stage.wait(30_000)
        stage.motion()
        stage.wait(30_000)
    stage.wait(2 * MINUTE_MS)

    motions = [d for d in stage.decisions if d.source == "motion"]
    assert len({d.motion for d in motions}) == len(motions) == 12
