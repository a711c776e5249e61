"""Goal: "sunset+00:20" means the sunset of the local date, within a minute of the printed almanac.

Method: rows of the yearly tables "Rise and Set for the Sun" of the U.S. Naval Observatory (standard
time, whole minutes), asked of the function that the program itself hands to the calendar.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.core.calendar import Calendar, Sunset
from haunt.core.clockwork import CalendarSpec, NightSpec, TimeOfDay
from haunt.wire.showfile import read_show

TOLERANCE_S = 60
"""Tables are rounded to the minute; terrain and air make the real one uncertain by two."""

FREDONIA = (36.95, -112.52, "America/Phoenix", -7)  # USNO header W112 31, N36 57
SAN_FRANCISCO = (37 + 46 / 60, -(122 + 26 / 60), "America/Los_Angeles", -8)
BUFORD = (34 + 7 / 60, -84.0, "America/New_York", -5)

USNO = (
    (FREDONIA, "2023-03-20", "18:42"),
    (FREDONIA, "2023-06-21", "19:53"),
    (FREDONIA, "2023-10-01", "18:14"),
    (FREDONIA, "2023-10-31", "17:34"),
    (FREDONIA, "2023-11-01", "17:33"),
    (FREDONIA, "2023-12-21", "17:17"),
    (SAN_FRANCISCO, "2012-06-21", "19:35"),
    (SAN_FRANCISCO, "2012-10-01", "17:52"),
    (SAN_FRANCISCO, "2012-10-31", "17:12"),
    (SAN_FRANCISCO, "2012-11-01", "17:10"),
    (SAN_FRANCISCO, "2012-12-21", "16:55"),
    (BUFORD, "2016-06-21", "19:51"),
    (BUFORD, "2016-10-01", "18:19"),
    (BUFORD, "2016-10-31", "17:44"),
    (BUFORD, "2016-11-01", "17:43"),
    (BUFORD, "2016-12-21", "17:31"),
)
"""Place (latitude, longitude, zone, the table's offset from UTC in hours), date, sunset."""

Place = tuple[float, float, str, int]


def sunset_at(latitude: float, longitude: float, zone: str) -> Sunset:
    text = (
        f'[show]\nid = "garden"\ntime_zone = "{zone}"\n'
        f"latitude = {latitude}\nlongitude = {longitude}\n"
    )
    return sunset_of(read_show(text, "garden.toml").show)


@pytest.mark.parametrize(("place", "day", "clock"), USNO)
def test_sunset_is_within_a_minute_of_the_naval_observatorys_table(
    place: Place, day: str, clock: str
) -> None:
    latitude, longitude, zone, offset_h = place
    printed = datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=UTC)
    printed -= timedelta(hours=offset_h)

    found = sunset_at(latitude, longitude, zone)(date.fromisoformat(day))

    assert found is not None
    assert abs(found / 1000 - printed.timestamp()) <= TOLERANCE_S


def test_sunset_in_ohio_is_within_a_minute_of_the_naval_observatorys_page() -> None:
    # USNO "Complete Sun and Moon Data for One Day", Bluffton OH, 2018-09-12: sunset 23:50 UTC.
    found = sunset_at(40.8939, -83.8917, "America/New_York")(date(2018, 9, 12))

    assert found is not None
    assert abs(found / 1000 - datetime(2018, 9, 12, 23, 50, tzinfo=UTC).timestamp()) <= TOLERANCE_S


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

    assert not calendar.piece(opens - TOLERANCE_S * 1000).open
    assert calendar.piece(opens + TOLERANCE_S * 1000).open
    assert calendar.piece(opens + 2 * 3_600_000).open
