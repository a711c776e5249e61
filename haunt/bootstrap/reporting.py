"""Joins journal, show file and report: what one night was."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, timedelta

from haunt.bootstrap.clock import noon_ms, sunset_of
from haunt.core.calendar import DAY_MS, Calendar
from haunt.core.clockwork import TimeOfDay
from haunt.live.prepare import prepare
from haunt.site.ports import Sheet
from haunt.store.engines import Engine
from haunt.store.nightrows import about_night, dates_of, nights_of, show_at, shows_at
from haunt.study.nightfacts import Span
from haunt.study.nightline import NightLine, line_of
from haunt.study.report import NightReport, night_report
from haunt.study.visitors import path_of
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

NOON = TimeOfDay(12 * 60)
YEARS = range(1970, 2200)
"""What a calendar can be asked of; at its own ends a day more or less is no date any more."""
LINES_MAX, KEPT_MAX = 12, 500
NO_SHOW = "there is no show yet"
NO_NIGHT = "no night has motions yet"
LATEST_MS = 1 << 62
EITHER_SIDE_MS = 1_800_000
"""Boards are up before the doors and after them; their health belongs to the night."""


class Nights:
    """Satisfies `site.ports.NightBook`."""

    def __init__(self, engine: Engine, time_zone: Callable[[], str]) -> None:
        self._engine, self._time_zone = engine, time_zone
        self._lines: dict[str, NightLine] = {}  # what is over stays as it was

    def dates(self) -> list[str]:
        return dates_of(self._engine, self._time_zone())

    def report(self, day: str) -> NightReport | str:
        return report_of(self._engine, day)

    def sheet(self, day: str, earlier: int) -> Sheet | str:
        night = named(day)
        if isinstance(night, str):
            return night
        about = about_night(self._engine, day, ends_ms(night), self._time_zone())
        if about.show is None:
            return NO_SHOW
        dates = about.dates
        before = dates[dates.index(day) + 1 :][:earlier] if day in dates else []
        unknown = [each for each in before if each not in self._lines]
        reports = _reports(self._engine, {day: about.show} | self._shows(unknown))
        report = next(reports)
        lines = self._told(before, reports, dates)
        return Sheet(report, lines, about.checks)

    def lines(self) -> list[NightLine]:
        dates = self.dates()
        wanted = dates[:LINES_MAX]
        unknown = [each for each in wanted if each not in self._lines]
        return self._told(wanted, _reports(self._engine, self._shows(unknown)), dates)

    def _shows(self, days: Sequence[str]) -> dict[str, str]:
        instants = [ends_ms(date.fromisoformat(each)) for each in days]
        found = zip(days, shows_at(self._engine, instants), strict=True)
        return {day: text for day, text in found if text is not None}

    def _told(
        self, days: Sequence[str], fresh: Iterator[NightReport], dates: Sequence[str]
    ) -> list[NightLine]:
        """Take what is known and what is fresh; keep of it what will not change any more."""
        found = {each.date: line_of(each) for each in fresh}
        over = {day: line for day, line in found.items() if day not in dates[:1]}
        if len(self._lines) + len(over) <= KEPT_MAX:
            self._lines.update(over)
        known = self._lines | found
        return [known[each] for each in days if each in known]


def report_of(engine: Engine, day: str | None) -> NightReport | str:
    """Return the report of a night (YYYY-MM-DD, the local date it opened), or what is missing.

    Without a date it is the newest that has motions.
    """
    if day is None:
        text = show_at(engine, LATEST_MS)
        dates = dates_of(engine, _zone_in(text)) if text is not None else []
        if not dates:
            return NO_NIGHT
        day = dates[0]
    night = named(day)
    if isinstance(night, str):
        return night
    text = show_at(engine, ends_ms(night))
    if text is None:
        return NO_SHOW
    return next(_reports(engine, {day: text}))


def _zone_in(text: str) -> str:
    return read_show(text, "show").show.info.time_zone


def _reports(engine: Engine, shows: Mapping[str, str]) -> Iterator[NightReport]:
    """Report on dates by their show files, in one statement; a night at a time is in memory."""
    files = {day: read_show(text, "show").show for day, text in shows.items()}
    spans = [span_of(file, date.fromisoformat(day)) for day, file in files.items()]
    nights = zip(files.items(), spans, nights_of(engine, spans), strict=True)
    for (day, file), span, rows in nights:
        path = [(stop.sensor, stop.metres) for stop in path_of(file)]
        yield night_report(day, span, prepare(file).show, rows, path)


def named(day: str) -> date | str:
    try:
        night = date.fromisoformat(day)
    except ValueError:
        return f"{day!r} is no date; a night is named by YYYY-MM-DD"
    return night if night.year in YEARS else f"there was no night on {day}"


def span_of(file: ShowFile, night: date) -> Span:
    """Return the opening of that date, or from noon to noon where the show names none."""
    show = prepare(file).show
    calendar = Calendar(show.calendar, show.time_zone, sunset_of(file))
    noon = calendar.first_instant(night, NOON) or noon_ms(night)
    after = calendar.first_instant(night + timedelta(days=1), NOON) or noon + DAY_MS
    found = calendar.opening(night)
    if found is None:
        return Span(noon, after)
    return Span(found[0] - EITHER_SIDE_MS, found[1] + EITHER_SIDE_MS)


def ends_ms(night: date) -> int:
    """UTC ms by which the night of that date is over everywhere."""
    return noon_ms(night) + DAY_MS
