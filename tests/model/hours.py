"""The calendar said plainly: a minute is found by reading the clock of every minute round it.

It owns what a local reading means for the plain model and knows no sunset.
"""

from datetime import UTC, date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, QuietSpec

MINUTE_MS, DAY_MS = 60_000, 86_400_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def reading(zone: str, wall_ms: int) -> datetime:
    return (EPOCH + timedelta(milliseconds=wall_ms)).astimezone(ZoneInfo(zone))


def ms_of_day(at: datetime) -> int:
    return ((at.hour * 60 + at.minute) * 60 + at.second) * 1000 + at.microsecond // 1000


@cache
def minutes_of(zone: str, day: date) -> tuple[tuple[int, int], ...]:
    """Every minute of a local date as (instant, reading in minutes); 23 to 25 hours of them."""
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    middle = (noon - EPOCH) // timedelta(milliseconds=1)
    around = ((middle + n * MINUTE_MS) for n in range(-2000, 2001))
    found = [(at, reading(zone, at)) for at in around]
    return tuple((at, there.hour * 60 + there.minute) for at, there in found if there.date() == day)


def first(zone: str, day: date, minutes: int) -> int:
    """Return the first instant of a reading; one that is skipped stands for what comes after."""
    return next(at for at, there in minutes_of(zone, day) if there >= minutes)


def last(zone: str, day: date, minutes: int) -> int:
    same = [at for at, there in minutes_of(zone, day) if there == minutes]
    return same[-1] if same else first(zone, day, minutes)


def lies_in(start: int, end: int, ms: int) -> bool:
    start_ms, end_ms = start * MINUTE_MS, end * MINUTE_MS
    if start == end:
        return True
    return start_ms <= ms < end_ms if start < end else ms >= start_ms or ms < end_ms


def opening(zone: str, night: NightSpec) -> tuple[int, int]:
    """Return the first instant of a night and the one at which the entrance shuts."""
    opens = first(zone, night.date, night.opens.minutes)
    closes = last(zone, night.date, night.closes.minutes)
    if closes <= opens:
        closes = last(zone, night.date + timedelta(days=1), night.closes.minutes)
    return opens, closes


def phases(zone: str, calendar: CalendarSpec, wall_ms: int) -> list[PhaseSpec]:
    ms = ms_of_day(reading(zone, wall_ms))
    return [p for p in calendar.phases if lies_in(p.start.minutes, p.end.minutes, ms)]


def hushes(zone: str, calendar: CalendarSpec, wall_ms: int) -> list[QuietSpec]:
    there = reading(zone, wall_ms)
    return [quiet for quiet in calendar.quiet if _hushes(quiet, there)]


def _hushes(quiet: QuietSpec, there: datetime) -> bool:
    start, end, ms = quiet.start.minutes, quiet.end.minutes, ms_of_day(there)
    if not lies_in(start, end, ms):
        return False
    began_yesterday = start >= end and ms < end * MINUTE_MS
    weekday = (there - timedelta(days=1)).weekday() if began_yesterday else there.weekday()
    return not quiet.days or weekday in quiet.days
