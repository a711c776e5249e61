"""Published sunsets and changes of clocks, beside the functions that the program itself asks."""

from datetime import UTC, date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from haunt.bootstrap.clock import sunset_of
from haunt.core.calendar import Calendar, Sunset
from haunt.core.clockwork import CalendarSpec, QuietSpec, TimeOfDay
from haunt.wire.showfile import read_show
from tests.outside.rows import Proof, Row

V, L = Proof.VERIFIED, Proof.LIBRARY

USNO = "U.S. Naval Observatory, yearly table in a public source file"
SKYFIELD = "skyfield 1.55 with de421"
FREDONIA = (36.95, -112.52, "America/Phoenix", -7)  # header W112 31, N36 57
SAN_FRANCISCO = (37 + 46 / 60, -(122 + 26 / 60), "America/Los_Angeles", -8)
BUFORD = (34 + 7 / 60, -84.0, "America/New_York", -5)
PLACES = {"Fredonia": FREDONIA, "San Francisco": SAN_FRANCISCO, "Buford": BUFORD}
"""Latitude, longitude, zone, and the table's offset from UTC in hours."""

PRINTED = (
    # place, date, sunset by the table, by skyfield
    ("Fredonia", "2023-03-20", "18:42", "18:41:48"),
    ("Fredonia", "2023-06-21", "19:53", "19:52:55"),
    ("Fredonia", "2023-10-01", "18:14", "18:13:32"),
    ("Fredonia", "2023-10-31", "17:34", "17:33:53"),
    ("Fredonia", "2023-11-01", "17:33", "17:32:49"),
    ("Fredonia", "2023-12-21", "17:17", "17:16:55"),
    ("San Francisco", "2012-06-21", "19:35", "19:35:07"),
    ("San Francisco", "2012-10-01", "17:52", "17:51:51"),
    ("San Francisco", "2012-10-31", "17:12", "17:11:29"),
    ("San Francisco", "2012-11-01", "17:10", "17:10:25"),
    ("San Francisco", "2012-12-21", "16:55", "16:54:39"),
    ("Buford", "2016-06-21", "19:51", "19:50:52"),
    ("Buford", "2016-10-01", "18:19", "18:19:29"),
    ("Buford", "2016-10-31", "17:44", "17:43:30"),
    ("Buford", "2016-11-01", "17:43", "17:42:33"),
    ("Buford", "2016-12-21", "17:31", "17:30:46"),
)
HALLOWEEN = {
    # latitude, longitude, zone: sunset of 31 October 2026 and 2027, local clock, by skyfield
    (42.52, -70.90, "America/New_York"): ("17:37:47", "17:38:06"),
    (55.95, -3.19, "Europe/London"): ("16:34:33", "16:35:05"),
    (51.5074, -0.1278, "Europe/London"): ("16:35:20", "16:35:46"),
    (40.7128, -74.0060, "America/New_York"): ("17:53:26", "17:53:44"),
    (41.8781, -87.6298, "America/Chicago"): ("17:45:49", "17:46:07"),
    (39.7392, -104.9903, "America/Denver"): ("17:58:56", "17:59:14"),
    (34.0522, -118.2437, "America/Los_Angeles"): ("18:00:51", "18:01:05"),
    (59.9139, 10.7522, "Europe/Oslo"): ("16:24:10", "16:24:48"),
    (64.1466, -21.9426, "Atlantic/Reykjavik"): ("17:13:51", "17:14:38"),
    (-0.1807, -78.4678, "America/Guayaquil"): ("18:01:04", "18:01:05"),
    (-33.8688, 151.2093, "Australia/Sydney"): ("19:21:56", "19:21:43"),
}


@cache
def sunset_at(latitude: float, longitude: float, zone: str) -> Sunset:
    text = (
        f'[show]\nid = "garden"\ntime_zone = "{zone}"\n'
        f"latitude = {latitude}\nlongitude = {longitude}\n"
    )
    return sunset_of(read_show(text, "garden.toml").show)


def minutes(clock: str) -> float:
    hours, mins, *seconds = (int(each) for each in clock.split(":"))
    return hours * 60 + mins + sum(seconds) / 60


def set_minutes(latitude: float, longitude: float, zone: str, day: str, offset_h: int) -> float:
    """Minutes after midnight of a clock that is so many hours from UTC; NaN without a sunset."""
    found = sunset_at(latitude, longitude, zone)(date.fromisoformat(day))
    midnight = datetime.fromisoformat(day).replace(tzinfo=UTC) - timedelta(hours=offset_h)
    return float("nan") if found is None else (found / 1000 - midnight.timestamp()) / 60


def _by_place(place: str, day: str) -> float:
    latitude, longitude, zone, offset_h = PLACES[place]
    return set_minutes(latitude, longitude, zone, day, offset_h)


def _on_local_clock(latitude: float, longitude: float, zone: str, day: str) -> float:
    noon = datetime.fromisoformat(day).replace(hour=17, tzinfo=ZoneInfo(zone))
    offset = noon.utcoffset()
    assert offset is not None
    return set_minutes(latitude, longitude, zone, day, round(offset.total_seconds() / 3600))


UNIT, MINUTE = "min after midnight", 1.0  # printed in whole minutes; terrain is worth two
_SUNSETS = [
    *(
        Row(
            f"sunset/{place.lower().replace(' ', '-')}-{day}",
            f"sunset at {place}, {day}, standard time",
            USNO,
            V,
            MINUTE,
            UNIT,
            ((place, day, minutes(printed)),),
            _by_place,
        )
        for place, day, printed, _ in PRINTED
    ),
    Row(
        "sunset/bluffton",
        "sunset at Bluffton, 2018-09-12, UTC",
        "U.S. Naval Observatory's page of one day, cited in a library's own tests",
        V,
        MINUTE,
        UNIT,
        ((40.8939, -83.8917, "America/New_York", "2018-09-12", 0, minutes("23:50")),),
        set_minutes,
    ),
    Row(
        "sunset/defiance",
        "sunset at Defiance, 2019-11-08, UTC",
        "skyfield's own tests",
        L,
        MINUTE,
        UNIT,
        ((41.281944, -84.362778, "America/New_York", "2019-11-08", 0, minutes("22:25")),),
        set_minutes,
    ),
    Row(
        "sunset/almanac-to-the-second",
        "the sixteen sunsets above, to the second",
        SKYFIELD,
        L,
        MINUTE,
        UNIT,
        tuple((place, day, minutes(exact)) for place, day, _, exact in PRINTED),
        _by_place,
    ),
    Row(
        "sunset/halloween",
        "31 October 2026 and 2027 at eleven places from 64 N to 34 S",
        SKYFIELD,
        L,
        MINUTE,
        UNIT,
        tuple(
            (*place, f"{year}-10-31", minutes(clock))
            for place, clocks in HALLOWEEN.items()
            for year, clock in zip((2026, 2027), clocks, strict=True)
        ),
        _on_local_clock,
    ),
]


# --- changes of clocks


@cache
def _quiet(zone: str) -> Calendar:
    ten_to_eight = QuietSpec(TimeOfDay(22 * 60), TimeOfDay(8 * 60), ())
    return Calendar(CalendarSpec(quiet=(ten_to_eight,)), zone)


def quiet_hours(zone: str, day: str) -> float:
    """Real length of the quiet hours that begin at ten in the evening of a day, by the calendar."""
    noon = datetime.fromisoformat(day).replace(hour=12, tzinfo=ZoneInfo(zone))
    moment = int(noon.timestamp() * 1000)
    until, long_ms = moment + 23 * 3_600_000, 0
    while moment < until:
        piece = _quiet(zone).piece(moment)
        if piece.quiet:
            long_ms += min(until, piece.until_ms) - max(moment, piece.from_ms)
        moment = piece.until_ms
    return long_ms / 3_600_000


def change_of_europe(year: int) -> date:
    """The closed form by R. H. van Gent: Sunday, October 31 - (5 y / 4 + 1) mod 7; to 2099."""
    return date(year, 10, 31 - (5 * year // 4 + 1) % 7)


def change_of_america(year: int) -> date:
    """The first Sunday of November, Energy Policy Act of 2005."""
    return date(year, 11, 7 - date(year, 11, 7).isoweekday() % 7)


def _offset_falls(zone: str, before: str, after: str) -> float:
    offsets = [
        datetime.fromisoformat(text).replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).utcoffset()
        for text in (before, after)
    ]
    return sum(
        (offset or timedelta()) / timedelta(hours=1) * sign
        for offset, sign in zip(offsets, (1, -1), strict=True)
    )


def _nights(zone: str, change: date) -> list[tuple[object, ...]]:
    """The night that ends on the morning of the change is an hour longer, its neighbours not."""
    return [
        (zone, (change - timedelta(days=back)).isoformat(), 10 + (back == 1)) for back in (0, 1, 2)
    ]


EUROPE, AMERICA = ("Europe/Berlin", "Europe/London"), ("America/New_York",)
YEARS = range(2026, 2100)
CHANGES = (
    ("Europe/London", "2027-10-31T00:59:59", "2027-10-31T01:00:00", 1),
    ("Europe/Berlin", "2027-10-31T00:59:59", "2027-10-31T01:00:00", 1),
    ("America/New_York", "2026-11-01T05:59:59", "2026-11-01T06:00:00", 1),
    ("America/Los_Angeles", "2026-11-01T08:59:59", "2026-11-01T09:00:00", 1),
    ("Australia/Sydney", "2026-10-03T15:59:59", "2026-10-03T16:00:00", -1),
    ("Australia/Sydney", "2027-10-02T15:59:59", "2027-10-02T16:00:00", -1),
)
LENGTHS = (
    ("America/New_York", "2026-10-31", 11),
    ("America/Los_Angeles", "2026-10-31", 11),
    ("America/Phoenix", "2026-10-31", 10),
    ("Europe/London", "2026-10-31", 10),
    ("Europe/London", "2027-10-30", 11),
    ("Europe/London", "2027-10-31", 10),
    ("Europe/Berlin", "2027-10-30", 11),
    ("America/New_York", "2027-10-31", 10),
)
_CLOCKS = [
    Row(
        "clocks/changes",
        "clocks go an hour back, or forward in the south, at these instants",
        "zoneinfo with tzdata 2026.6, written down",
        L,
        unit="h",
        table=CHANGES,
        ours=_offset_falls,
    ),
    Row(
        "clocks/lengths",
        "quiet from ten to eight lasts so many real hours",
        "zoneinfo with tzdata 2026.6, written down",
        L,
        unit="h",
        table=LENGTHS,
        ours=quiet_hours,
    ),
    Row(
        "clocks/europe",
        "the same round the last Sunday of October, 2026 to 2099",
        "van Gent's closed form; Directive 2000/84/EC",
        V,
        unit="h",
        table=tuple(
            night
            for year in YEARS
            for zone in EUROPE
            for night in _nights(zone, change_of_europe(year))
        ),
        ours=quiet_hours,
    ),
    Row(
        "clocks/america",
        "the same round the first Sunday of November, 2026 to 2099",
        "Energy Policy Act of 2005, section 110, in a report to Congress",
        V,
        unit="h",
        table=tuple(
            night
            for year in YEARS
            for zone in AMERICA
            for night in _nights(zone, change_of_america(year))
        ),
        ours=quiet_hours,
    ),
    Row(
        "clocks/slow-calendar",
        "random zones, dates and spans, minute by minute",
        "zoneinfo",
        L,
    ),
]


ROWS = [*_SUNSETS, *_CLOCKS]
