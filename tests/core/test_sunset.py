"""Goal: "sunset+00:20" means the sunset of the local date, within a minute of the printed almanac.

Method: rows of the yearly tables of the U.S. Naval Observatory (tests/outside/sky.py), asked of the
function that the program itself hands to the calendar.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.core.calendar import Calendar
from haunt.core.clockwork import CalendarSpec, NightSpec, TimeOfDay
from haunt.wire.showfile import read_show
from tests.outside.registry import family, outside
from tests.outside.rows import Row
from tests.outside.sky import PLACES, sunset_at

TOLERANCE_MS = round(60_000 * outside("sunset/bluffton").tolerance)
SAN_FRANCISCO = PLACES["San Francisco"]


@pytest.mark.parametrize("row", family("sunset"), ids=lambda row: row.id)
def test_sunset_is_within_a_minute_of_what_the_naval_observatory_and_another_program_say(
    row: Row,
) -> None:
    assert row.holds(row.measured().off), row.measured()


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone"),
    [
        (21.3, -157.86, "Pacific/Honolulu"),
        (34.05, -118.24, "America/Los_Angeles"),
        (40.71, -74.01, "America/New_York"),
        (51.51, -0.13, "Europe/London"),
        (-33.87, 151.21, "Australia/Sydney"),
        (1.87, -157.4, "Pacific/Kiritimati"),
    ],
)
def test_the_sunset_of_a_date_falls_on_that_local_date_all_the_year_and_all_round_the_world(
    latitude: float, longitude: float, zone: str
) -> None:
    sunset = sunset_at(latitude, longitude, zone)
    for number in range(0, 365, 7):
        day = date(2026, 1, 1) + timedelta(days=number)
        found = sunset(day)
        assert found is not None
        assert datetime.fromtimestamp(found / 1000, ZoneInfo(zone)).date() == day


def test_where_the_sun_does_not_set_there_is_none() -> None:
    assert sunset_at(78.22, 15.65, "Arctic/Longyearbyen")(date(2026, 6, 21)) is None


def test_a_show_without_a_place_knows_no_sunset() -> None:
    read = read_show('[show]\nid = "garden"\ntime_zone = "UTC"\n', "garden.toml")

    assert sunset_of(read.show)(date(2026, 10, 31)) is None


def test_doors_open_twenty_minutes_after_sunset_in_the_evening_of_their_date() -> None:
    night = NightSpec(date(2012, 10, 31), TimeOfDay(20, from_sunset=True), TimeOfDay(21 * 60), 0)
    sunset = sunset_at(*SAN_FRANCISCO[:3])
    calendar = Calendar(CalendarSpec(nights=(night,)), "America/Los_Angeles", sunset)
    six = int(datetime(2012, 11, 1, 1, 0, tzinfo=UTC).timestamp() * 1000)  # 18:00 PDT
    opens = six + 32 * 60_000  # sunset 17:12 PST is 18:12 PDT

    assert not calendar.piece(opens - TOLERANCE_MS).open
    assert calendar.piece(opens + TOLERANCE_MS).open
    assert calendar.piece(opens + 2 * 3_600_000).open
