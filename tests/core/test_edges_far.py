"""Goal: what is far away in time, or in another zone, hides nothing of what is near.

Method: calendars asked about instants; nights of other weeks, yesterday, and a sun that stays away.
"""

from datetime import UTC, date, datetime

import pytest

from haunt.core.calendar import Calendar
from haunt.core.clockwork import CalendarSpec, NightSpec, QuietSpec, TimeOfDay, Timetable
from tests.core.stage import Stage, prop, sensor, show, verdicts

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
TODAY = date(2026, 11, 1)
"""The stage begins at 17:00 UTC."""


def clock(text: str) -> TimeOfDay:
    hours, minutes = text.split(":")
    return TimeOfDay(60 * int(hours) + int(minutes))


def utc(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize("order", [1, -1])
def test_a_night_of_another_week_hides_no_night_of_this_one(order: int) -> None:
    """A season as people enter it, from its first night to its last."""
    days = (date(2026, 10, 3), date(2026, 10, 31), TODAY, date(2026, 12, 24))
    nights = tuple(NightSpec(each, clock("18:00"), clock("21:00")) for each in days)[::order]
    calendar = Calendar(CalendarSpec(nights=nights), "UTC")

    assert calendar.piece(utc("2026-11-01T19:00")).open
    assert not calendar.piece(utc("2026-11-01T17:59")).open
    found = calendar.night_of(utc("2026-11-01T19:00"))
    assert found is not None
    assert found[0].date == TODAY


@pytest.mark.parametrize(
    ("zone", "day"),
    [("UTC", 1), ("America/New_York", 31), ("Pacific/Auckland", 1), ("Pacific/Honolulu", 31)],
)
def test_the_date_is_that_of_the_place(zone: str, day: int) -> None:
    calendar = Calendar(CalendarSpec(), zone)

    assert calendar.local_date(utc("2026-11-01T02:00")).day == day


def test_a_clock_set_back_by_most_of_a_day_finds_the_span_of_the_day_before() -> None:
    """Quiet for 23 hours of 24, from ten in the evening: at 20:45 it still lasts, both days."""
    span = QuietSpec(clock("22:00"), clock("21:00"))
    calendar = Calendar(CalendarSpec(quiet=(span,)), "UTC")

    assert calendar.piece(utc("2026-11-01T20:30")).quiet
    assert calendar.piece(utc("2026-10-31T20:45")).quiet
    assert not calendar.piece(utc("2026-10-31T21:15")).quiet


def test_a_row_from_sunset_comes_on_the_first_evening_on_which_the_sun_sets_again() -> None:
    sunset = utc("2026-11-01T18:00")
    dusk = TimeOfDay(0, from_sunset=True)
    row = Timetable(
        0, "gate", every_min_ms=MINUTE_MS, every_max_ms=MINUTE_MS, start=dusk, end=clock("23:00")
    )
    stage = Stage(
        show(prop(), sensor(), timetable=(row,)),
        sunset=lambda day: sunset if day == TODAY else None,
    )
    assert stage.wait(HOUR_MS - 1) == []

    assert verdicts(stage.wait(1)) == [("fired", None)]
