"""Joins journal, show file and report: what one night was."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta

from haunt.bootstrap.clock import sunset_of
from haunt.core.calendar import Calendar
from haunt.core.clockwork import TimeOfDay
from haunt.live.prepare import prepare
from haunt.store.engines import Engine
from haunt.store.nightrows import dates_of, rows_of, show_at
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
EITHER_SIDE_MS = 1_800_000
"""Boards are up before the doors and after them; their health belongs to the night."""


class Nights:
    """Satisfies `site.nights.NightBook`."""

    def __init__(self, engine: Engine, time_zone: Callable[[], str]) -> None:
        self._engine, self._time_zone = engine, time_zone
        self._lines: dict[str, NightLine] = {}  # what is over stays as it was

    def dates(self) -> list[str]:
        return dates_of(self._engine, self._time_zone())

    def report(self, day: str) -> NightReport | str:
        return report_of(self._engine, day)

    def lines(self, days: Sequence[str]) -> list[NightLine]:
        newest = self.dates()[:1]
        found = []
        for day in days[:LINES_MAX]:
            line = self._lines.get(day)
            if line is None:
                report = self.report(day)
                if isinstance(report, str):
                    continue
                line = line_of(report)
                if day not in newest and len(self._lines) < KEPT_MAX:
                    self._lines[day] = line
            found.append(line)
        return found


def report_of(engine: Engine, day: str) -> NightReport | str:
    """Return the report of a night (YYYY-MM-DD, the local date it opened), or what is missing."""
    try:
        night = date.fromisoformat(day)
    except ValueError:
        return f"{day!r} is no date; a night is named by YYYY-MM-DD"
    if night.year not in YEARS:
        return f"there was no night on {day}"
    text = show_at(engine, _utc_noon_ms(night) + 86_400_000)
    if text is None:
        return "there is no show yet"
    file = read_show(text, "show").show
    span = span_of(file, night)
    path = [(stop.sensor, stop.metres) for stop in path_of(file)]
    return night_report(day, span, prepare(file).show, rows_of(engine, span), path)


def span_of(file: ShowFile, night: date) -> Span:
    """Return the opening of that date, or from noon to noon where the show names none."""
    show = prepare(file).show
    calendar = Calendar(show.calendar, show.time_zone, sunset_of(file))
    noon = calendar.first_instant(night, NOON) or _utc_noon_ms(night)
    after = calendar.first_instant(night + timedelta(days=1), NOON) or noon + 86_400_000
    found = calendar.night_of(noon)
    if found is None or found[0].date != night:
        return Span(noon, after)
    return Span(found[1] - EITHER_SIDE_MS, found[2] + EITHER_SIDE_MS)


def _utc_noon_ms(night: date) -> int:
    return (night - date(1970, 1, 1)).days * 86_400_000 + 43_200_000
