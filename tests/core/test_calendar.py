"""Goal: hours of the night are exact through changes of clocks, midnight and sunset.

Method: transitions as zoneinfo has them, written down; and a slow calendar that asks zoneinfo
minute by minute, compared with the fast one over random zones, dates and spans.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from haunt.core.calendar import Calendar
from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, QuietSpec, TimeOfDay
from tests.outside.registry import family, outside
from tests.outside.rows import Row

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
FRI, SAT, SUN = 4, 5, 6
NEW_YORK, LONDON = "America/New_York", "Europe/London"
HALLOWEEN = date(2026, 10, 31)


def utc(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def at(text: str) -> TimeOfDay:
    hours, minutes = text.split(":")
    return TimeOfDay(int(hours) * 60 + int(minutes))


def quiet(start: str, end: str, zone: str, days: tuple[int, ...] = ()) -> Calendar:
    return Calendar(CalendarSpec(quiet=(QuietSpec(at(start), at(end), days),)), zone)


def pieces(calendar: Calendar, start: int, end: int) -> list[tuple[int, int]]:
    """Quiet stretches within [start, end), joined where they touch."""
    found: list[tuple[int, int]] = []
    moment = start
    while moment < end:
        piece = calendar.piece(moment)
        low, high = max(start, piece.from_ms), min(end, piece.until_ms)
        if piece.quiet and found and found[-1][1] == low:
            found[-1] = (found[-1][0], high)
        elif piece.quiet:
            found.append((low, high))
        moment = piece.until_ms
    return found


def opening(opens: str, closes: str, zone: str, day: date, last: int = 0) -> list[int]:
    night = NightSpec(day, at(opens), at(closes), last)
    calendar = Calendar(CalendarSpec(nights=(night,)), zone)
    midnight = int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000)
    found = calendar.night_of(midnight)
    assert found is not None
    return [found[1], found[2]]


# --- the night on which the hour repeats


@pytest.mark.parametrize("row", family("clocks"), ids=lambda row: row.id)
def test_nights_round_a_change_of_clocks_have_their_real_length(row: Row) -> None:
    """Instants that zoneinfo names, and the closed forms for every autumn until 2099."""
    if row.ours is not None:
        assert row.holds(row.measured().off), row.measured()


def test_one_to_two_lasts_two_hours_on_that_night() -> None:
    calendar = quiet("01:00", "02:00", NEW_YORK)
    found = pieces(calendar, utc("2026-11-01T04:00"), utc("2026-11-02T04:00"))

    assert found == [(utc("2026-11-01T05:00"), utc("2026-11-01T07:00"))]


@pytest.mark.parametrize(
    ("zone", "first", "second"),
    [
        (NEW_YORK, "2026-11-01T05:30", "2026-11-01T06:30"),
        (LONDON, "2027-10-31T00:30", "2027-10-31T01:30"),
    ],
)
def test_half_past_one_to_half_past_two_is_pieces_of_30_and_60_minutes(
    zone: str, first: str, second: str
) -> None:
    start = utc(first) - 2 * HOUR
    found = pieces(quiet("01:30", "02:30", zone), start, start + 12 * HOUR)

    assert found == [
        (utc(first), utc(first) + 30 * MINUTE),
        (utc(second), utc(second) + 60 * MINUTE),
    ]


def test_doors_open_at_the_first_and_close_at_the_last_half_past_one() -> None:
    sunday = date(2026, 11, 1)

    assert opening("01:30", "03:00", NEW_YORK, sunday) == [
        utc("2026-11-01T05:30"),
        utc("2026-11-01T08:00"),
    ]
    assert opening("23:00", "01:30", NEW_YORK, HALLOWEEN) == [
        utc("2026-11-01T03:00"),
        utc("2026-11-01T06:30"),
    ]


def test_the_entrance_shuts_at_the_close_and_the_props_run_for_the_last_group() -> None:
    night = NightSpec(HALLOWEEN, at("17:00"), at("21:00"), last_group_min=15)
    calendar = Calendar(CalendarSpec(nights=(night,)), LONDON)
    close = utc("2026-10-31T21:00")
    verdicts = [
        (calendar.piece(moment).entrance_open, calendar.piece(moment).open)
        for moment in (close - 1, close, close + 15 * MINUTE - 1, close + 15 * MINUTE)
    ]

    assert verdicts == [(True, True), (False, True), (False, True), (False, False)]


def test_closes_at_or_before_opens_means_the_next_day() -> None:
    assert opening("20:00", "00:30", "UTC", HALLOWEEN) == [
        utc("2026-10-31T20:00"),
        utc("2026-11-01T00:30"),
    ]
    assert opening("20:00", "20:00", "UTC", HALLOWEEN) == [
        utc("2026-10-31T20:00"),
        utc("2026-11-01T20:00"),
    ]


def test_a_night_belongs_to_the_date_it_opens() -> None:
    night = NightSpec(HALLOWEEN, at("20:00"), at("02:00"))
    calendar = Calendar(CalendarSpec(nights=(night,)), "UTC")
    found = calendar.night_of(utc("2026-11-01T01:59"))

    assert found is not None
    assert found[0].date == HALLOWEEN
    assert calendar.night_of(utc("2026-11-01T02:10")) is None


# --- the spring gap


def test_a_span_within_the_skipped_hour_does_not_happen() -> None:
    calendar = quiet("02:15", "02:45", NEW_YORK)

    assert pieces(calendar, utc("2026-03-08T05:00"), utc("2026-03-09T05:00")) == []


def test_a_span_over_the_skipped_hour_loses_it() -> None:
    [(low, high)] = pieces(
        quiet("01:30", "03:30", NEW_YORK), utc("2026-03-08T05:00"), utc("2026-03-09T05:00")
    )

    assert (low, high) == (utc("2026-03-08T06:30"), utc("2026-03-08T07:30"))


def test_doors_named_in_the_skipped_hour_open_as_it_ends() -> None:
    assert opening("02:30", "04:00", NEW_YORK, date(2026, 3, 8)) == [
        utc("2026-03-08T07:00"),
        utc("2026-03-08T08:00"),
    ]


# --- days, midnight, whole days


def test_quiet_days_name_the_day_on_which_the_span_begins() -> None:
    calendar = quiet("22:00", "06:00", "UTC", (FRI, SAT))
    week = utc("2026-10-26T00:00")  # a Monday

    assert pieces(calendar, week, week + 7 * DAY) == [
        (utc("2026-10-30T22:00"), utc("2026-10-31T06:00")),
        (utc("2026-10-31T22:00"), utc("2026-11-01T06:00")),
    ]


def test_from_that_equals_to_is_the_whole_day_from_there() -> None:
    calendar = quiet("20:00", "20:00", "UTC", (SAT,))

    assert pieces(calendar, utc("2026-10-30T00:00"), utc("2026-11-03T00:00")) == [
        (utc("2026-10-31T20:00"), utc("2026-11-01T20:00"))
    ]


def test_of_two_quiet_spans_at_once_the_stricter_counts() -> None:
    spans = (
        QuietSpec(at("20:00"), at("23:00"), max_level_dba=70),
        QuietSpec(at("21:00"), at("23:00"), max_level_dba=60),
        QuietSpec(at("22:00"), at("23:00")),
    )
    calendar = Calendar(CalendarSpec(quiet=spans), "UTC")
    levels = [calendar.piece(utc(f"2026-10-31T{h}:30")).quiet_dba for h in (20, 21, 22)]

    assert levels == [70, 60, None]
    assert calendar.piece(utc("2026-10-31T22:30")).quiet


def test_of_several_phases_least_intensity_least_flash_and_largest_factor_hold() -> None:
    two = (
        PhaseSpec("early", at("17:00"), at("19:00"), 2, None, 1500),
        PhaseSpec("strobes", at("18:00"), at("20:00"), 4, 3000, 800),
    )
    calendar = Calendar(CalendarSpec(phases=two), "UTC")
    found = [calendar.piece(utc(f"2026-10-31T{h}:30")) for h in (17, 18, 19, 20)]

    assert [each.phases for each in found] == [
        ("early",),
        ("early", "strobes"),
        ("strobes",),
        (),
    ]
    assert [each.max_intensity for each in found[:3]] == [2, 2, 4]
    assert [each.cooldown_permille for each in found] == [1500, 1500, 800, 1000]
    assert found[1].max_flash_mhz == 3000
    assert found[3].max_intensity > 5


# --- sunset comes in as a function


def test_doors_open_so_long_after_sunset() -> None:
    sunsets = {HALLOWEEN: utc("2026-10-31T16:35")}
    night = NightSpec(HALLOWEEN, TimeOfDay(20, from_sunset=True), at("21:00"), 0)
    calendar = Calendar(CalendarSpec(nights=(night,)), LONDON, sunsets.get)
    opens = utc("2026-10-31T16:55")

    assert not calendar.piece(opens - 1).open
    assert calendar.piece(opens).open


def test_a_phase_may_end_before_sunset_and_quiet_begin_after_it() -> None:
    sunsets = {HALLOWEEN: utc("2026-10-31T21:53")}  # 17:53 in New York
    spec = CalendarSpec(
        phases=(PhaseSpec("light", at("16:00"), TimeOfDay(-10, from_sunset=True), 1),),
        quiet=(QuietSpec(TimeOfDay(180, from_sunset=True), at("08:00")),),
    )
    calendar = Calendar(spec, NEW_YORK, sunsets.get)

    assert calendar.piece(utc("2026-10-31T21:42")).phases == ("light",)
    assert calendar.piece(utc("2026-10-31T21:43")).phases == ()
    assert not calendar.piece(utc("2026-11-01T00:52")).quiet
    assert calendar.piece(utc("2026-11-01T00:53")).quiet


def test_where_the_sun_does_not_set_a_night_named_by_it_does_not_happen() -> None:
    night = NightSpec(date(2026, 6, 21), TimeOfDay(20, from_sunset=True), at("23:00"), 0)
    calendar = Calendar(CalendarSpec(nights=(night,)), "Arctic/Longyearbyen")

    assert calendar.night_of(utc("2026-06-21T12:00")) is None
    assert not calendar.piece(utc("2026-06-21T20:30")).open


# --- against a slow calendar that asks for every minute

ZONES = (
    "UTC",
    "Europe/London",
    "Europe/Berlin",
    "Europe/Dublin",  # negative winter time in the data
    "America/New_York",
    "America/Los_Angeles",
    "America/Phoenix",
    "America/St_Johns",  # half hours
    "America/Santiago",  # changes at midnight
    "America/Havana",
    "Asia/Kathmandu",  # quarter hours
    "Asia/Beirut",
    "Africa/Casablanca",
    "Africa/Cairo",
    "Australia/Sydney",
    "Australia/Lord_Howe",  # the clocks move by half an hour
    "Pacific/Chatham",
    "Pacific/Kiritimati",
    "Antarctica/Troll",  # by two hours
)


def changes(zone: str) -> list[int]:
    """UTC hours of 2026 and 2027 just before an offset changes."""
    info, found = ZoneInfo(zone), []
    hour = datetime(2026, 1, 1, tzinfo=UTC)
    while hour.year < 2028:
        after = hour + timedelta(hours=1)
        if hour.astimezone(info).utcoffset() != after.astimezone(info).utcoffset():
            found.append(int(hour.timestamp() * 1000))
        hour = after
    return found


CHANGES = {zone: changes(zone) for zone in ZONES}
readings = st.integers(0, 24 * 60 - 1)


@st.composite
def moments(draw: st.DrawFn) -> tuple[str, int]:
    """Draw a zone and a UTC minute, half of them close to a change of clocks."""
    zone: str = draw(st.sampled_from(ZONES))
    close: bool = draw(st.booleans())
    if CHANGES[zone] and close:
        base: int = draw(st.sampled_from(CHANGES[zone]))
        return zone, base + draw(st.integers(-1600, 1600)) * MINUTE
    return zone, utc("2026-01-01T00:00") + draw(st.integers(0, 2 * 365 * 24 * 60)) * MINUTE


def within(moment_ms: int, zone: str, span: tuple[int, int], days: tuple[int, ...]) -> bool:
    """Say by the reading of the clock alone whether a span holds an instant."""
    local = datetime.fromtimestamp(moment_ms / 1000, ZoneInfo(zone))
    minute, (start, end) = local.hour * 60 + local.minute, span
    today = not days or local.weekday() in days
    yesterday = not days or (local.weekday() - 1) % 7 in days
    if start < end:
        return today and start <= minute < end
    return (today and minute >= start) or (yesterday and minute < end)


@given(moments(), readings, readings, st.sets(st.integers(0, 6)))
@example((NEW_YORK, utc("2026-11-01T06:00")), 90, 150, set())
@example((LONDON, utc("2027-10-31T01:00")), 1320, 480, {5})
def test_spans_hold_exactly_the_instants_whose_reading_lies_in_them(
    moment: tuple[str, int], start: int, end: int, days: set[int]
) -> None:
    zone, at_ms = moment
    weekdays = tuple(sorted(days))
    span = QuietSpec(TimeOfDay(start), TimeOfDay(end), weekdays)
    calendar = Calendar(CalendarSpec(quiet=(span,)), zone)

    for ahead in range(-180, 181, 15):
        for exact in (at_ms + ahead * MINUTE, at_ms + ahead * MINUTE - 1):
            assert calendar.piece(exact).quiet == within(exact, zone, (start, end), weekdays)


@given(moments(), readings, readings, st.integers(0, 90))
def test_a_night_is_open_between_the_first_and_the_last_such_reading(
    moment: tuple[str, int], opens: int, closes: int, last_group_min: int
) -> None:
    zone, at_ms = moment
    day = datetime.fromtimestamp(at_ms / 1000, ZoneInfo(zone)).date()
    first = slow_instants(day, opens, zone)
    last = slow_instants(day, closes, zone)
    assume(first)
    if not last or last[-1] <= first[0]:
        last = slow_instants(day + timedelta(days=1), closes, zone) if last else last
    assume(last)
    night = NightSpec(day, TimeOfDay(opens), TimeOfDay(closes), last_group_min)
    calendar = Calendar(CalendarSpec(nights=(night,)), zone)
    low, high = first[0], last[-1]

    assert [calendar.piece(each).entrance_open for each in (low - 1, low, high - 1, high)] == [
        False,
        True,
        True,
        False,
    ]
    end = high + last_group_min * MINUTE
    assert [calendar.piece(each).open for each in (low - 1, low, end - 1, end)] == [
        False,
        True,
        True,
        False,
    ]


def slow_instants(day: date, minute: int, zone: str) -> list[int]:
    """Return the UTC instants with this local reading, found by going through the minutes."""
    info = ZoneInfo(zone)
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    start = int(noon.timestamp()) - 40 * 3600
    found = []
    for second in range(start, start + 80 * 3600, 60):
        local = datetime.fromtimestamp(second, info)
        if local.date() == day and local.hour * 60 + local.minute == minute:
            found.append(second * 1000)
    return found


@pytest.mark.parametrize(
    ("opens", "closes", "hours"),
    [("04:00", "05:00", 1), ("10:00", "14:00", 4), ("18:00", "01:00", 7)],
)
def test_the_night_of_a_date_is_found_at_whatever_hour_it_opens(
    opens: str, closes: str, hours: int
) -> None:
    days = [HALLOWEEN + timedelta(days=n) for n in range(-1, 2)]
    nights = tuple(NightSpec(day, at(opens), at(closes), last_group_min=10) for day in days)
    calendar = Calendar(CalendarSpec(nights=nights), LONDON)

    begins = utc(f"2026-10-31T{opens}")

    assert calendar.opening(HALLOWEEN) == (begins, begins + hours * HOUR + 10 * MINUTE)
    assert calendar.opening(HALLOWEEN + timedelta(days=2)) is None


def test_the_next_opening_is_found_however_far_it_is() -> None:
    days = [HALLOWEEN, HALLOWEEN - timedelta(days=90)]
    nights = tuple(NightSpec(day, at("18:00"), at("01:00")) for day in days)
    calendar = Calendar(CalendarSpec(nights=nights), NEW_YORK)
    opens = utc("2026-10-31T22:00")

    assert calendar.next_opening(utc("2026-09-01T00:00")) == opens
    assert calendar.next_opening(opens - 1) == opens
    assert calendar.next_opening(opens) is None
    assert Calendar(CalendarSpec(), NEW_YORK).next_opening(opens) is None


@given(moments(), readings)
def test_the_first_instant_of_a_reading_is_the_first(moment: tuple[str, int], minute: int) -> None:
    zone, at_ms = moment
    calendar = Calendar(CalendarSpec(), zone)
    day = calendar.local_date(at_ms)
    slow = slow_instants(day, minute, zone)
    found = calendar.first_instant(day, TimeOfDay(minute))

    assert found is not None
    if slow:
        outside("clocks/slow-calendar").saw(found, slow[0])
    else:  # the reading was skipped: the first instant after it
        local = datetime.fromtimestamp(found / 1000, ZoneInfo(zone))
        before = datetime.fromtimestamp(found / 1000 - 1, ZoneInfo(zone))
        assert local.hour * 60 + local.minute > minute or local.date() > day
        assert before.hour * 60 + before.minute < minute or before.date() < day


@given(moments(), st.lists(st.integers(-3 * DAY, 3 * DAY), min_size=1, max_size=12))
def test_an_answer_does_not_depend_on_what_was_asked_before(
    moment: tuple[str, int], hops: list[int]
) -> None:
    zone, at_ms = moment
    span = QuietSpec(TimeOfDay(1300), TimeOfDay(400), (FRI, SUN), 60.0)
    spec = CalendarSpec(quiet=(span,), phases=(PhaseSpec("p", at("17:00"), at("19:00"), 2),))
    wandering = Calendar(spec, zone)
    for hop in hops:
        wandering.piece(at_ms + hop)
    fresh, found = Calendar(spec, zone).piece(at_ms), wandering.piece(at_ms)

    assert (found.quiet, found.quiet_dba, found.phases) == (
        fresh.quiet,
        fresh.quiet_dba,
        fresh.phases,
    )
    assert found.from_ms <= at_ms < found.until_ms
