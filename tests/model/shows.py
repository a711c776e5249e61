"""Evenings for the comparison: random shows, some on the nights on which clocks change.

What is not generated, and why: sunsets (checked against an almanac elsewhere), and two rows of a
timetable for one prop, which nobody outside could tell apart.
"""

from dataclasses import dataclass, replace
from datetime import date
from typing import TypeVar

from haunt.core.clockwork import (
    CalendarSpec,
    NightSpec,
    PhaseSpec,
    QuietSpec,
    TimeOfDay,
    Timetable,
)
from haunt.core.show import Behaviour, Line, PropSpec, Show
from tests.core.random_shows import FIVE_PM, Luck, show_of
from tests.core.stage import EVENING

T = TypeVar("T", PhaseSpec, QuietSpec)
AUTUMN = 1_792_889_820_000  # 2026-10-25T00:57:00Z: 01:57 in London, three minutes before 01:00
SPRING = 1_806_195_480_000  # 2027-03-28T00:58:00Z: 00:58 in London, two minutes before 02:00
READINGS = {AUTUMN: (118, 119, 60, 61, 62, 119, 120), SPRING: (58, 59, 60, 61, 119, 120, 122)}
LINES = (
    Line("a", "who walks there"),
    Line("b", "come closer", 2),
    Line("c", "I smell blood", barred=True),
    Line("d", "now", 4),
)
DATES = {EVENING: date(2026, 11, 1), AUTUMN: date(2026, 10, 25), SPRING: date(2027, 3, 28)}


@dataclass(frozen=True, slots=True)
class Evening:
    """A show, the one that it may be changed to, and the wall clock at the beginning."""

    show: Show
    other: Show
    wall_ms: int


def evening_of(seed: int) -> Evening:
    luck = Luck(seed)
    wall = luck.of(EVENING, EVENING, EVENING, AUTUMN, SPRING)
    show = _moved(show_of(luck.below(1 << 32)), luck, wall)
    other = _moved(show_of(luck.below(1 << 32)), luck, wall)
    return Evening(show, luck.of(other, _tuned(show, luck)), wall)


def _moved(show: Show, luck: Luck, wall: int) -> Show:
    """Put what a show says about hours where this night's clock is."""
    calendar = show.calendar
    return replace(
        show,
        time_zone=show.time_zone if wall == EVENING else "Europe/London",
        timetable=_rows(show, luck, wall),
        props=tuple(_edged(each, luck) for each in show.props),
        sensors=tuple(
            replace(each, lull_max_ms=luck.of(5000, 10_000, 45_000), warm_up_ms=luck.of(0, 0, 4000))
            for each in show.sensors
        ),
        calendar=CalendarSpec(
            tuple(_night(each, wall) for each in calendar.nights),
            tuple(
                replace(_span(each, wall), cooldown_permille=luck.of(500, 1000, 2000))
                for each in calendar.phases
            ),
            tuple(
                replace(
                    _span(each, wall),
                    days=luck.of((), (), (5,), (6,)),
                    max_level_dba=luck.of(None, 50.0, 60.0),
                )
                for each in calendar.quiet
            ),
        ),
    )


def _edged(spec: PropSpec, luck: Luck) -> PropSpec:
    """Put limits where what is told meets them exactly, and give behaviours lines to say."""
    lines = luck.of((), LINES[:2], LINES, LINES[3:])
    return replace(
        spec,
        retire_percent=luck.of(None, 15, 25),
        stretch_percent=luck.of(None, 45),
        behaviours=tuple(replace(each, lines=lines) for each in spec.behaviours),
    )


def _span(span: T, wall: int) -> T:
    return replace(span, start=_at(span.start, wall), end=_at(span.end, wall))


def _night(night: NightSpec, wall: int) -> NightSpec:
    opens, closes = _at(night.opens, wall), _at(night.closes, wall)
    return replace(night, date=DATES[wall], opens=opens, closes=closes)


def _at(time: TimeOfDay, wall: int) -> TimeOfDay:
    return TimeOfDay(READINGS[wall][time.minutes - FIVE_PM + 2]) if wall in READINGS else time


def _rows(show: Show, luck: Luck, wall: int) -> tuple[Timetable, ...]:
    found: dict[str, Timetable] = {}
    for row in show.timetable:
        if row.at is not None:
            lately = luck.of(None, None, 5000, 60_000)
            found[row.prop] = replace(row, at=_at(row.at, wall), only_after_motion_ms=lately)
        else:
            low = luck.of(60_000, 90_000)
            found[row.prop] = replace(row, every_min_ms=low, every_max_ms=low * 2)
    return tuple(found.values())


def _tuned(show: Show, luck: Luck) -> Show:
    """Return the same show with some settings changed, as a person does on the page."""
    return replace(
        show,
        gap_ms=luck.of(show.gap_ms, 1000),
        timetable=show.timetable[: luck.below(3)],
        props=tuple(_turned(each, luck) for each in show.props),
    )


def _turned(spec: PropSpec, luck: Luck) -> PropSpec:
    return replace(
        spec,
        cooldown_ms=luck.of(spec.cooldown_ms, 2500),
        hourly_cap=luck.of(spec.hourly_cap, None, 4),
        duty_permille=luck.of(spec.duty_permille, None, 20),
        priority=luck.below(3),
        behaviours=tuple(
            _shortened(each, luck.of(each.duration_ms, 2000), luck.below(3))
            for each in spec.behaviours
        ),
    )


def _shortened(behaviour: Behaviour, duration_ms: int, weight: int) -> Behaviour:
    motor = min(behaviour.motor_on_ms, duration_ms)
    return replace(behaviour, duration_ms=duration_ms, motor_on_ms=motor, weight=weight)
