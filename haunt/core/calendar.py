"""Which hour of the night it is: opening, phases and quiet spans as pieces of constant rules.

Durations never come here; this module turns UTC instants into local readings and back, exactly
through changes of clocks. Sunset comes in as a function, so nothing here knows astronomy.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from haunt.core.clockwork import (
    CalendarSpec,
    NightSpec,
    PhaseSpec,
    QuietSpec,
    TimeOfDay,
)

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS
NO_LIMIT = 1 << 40

Sunset = Callable[[date], int | None]
"""Local date to the UTC instant of sunset in ms; None where the sun does not set."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of time, half-open, within which the calendar's verdict does not change."""

    from_ms: int
    until_ms: int
    open: bool = True
    entrance_open: bool = True
    phases: tuple[str, ...] = ()
    max_intensity: int = NO_LIMIT
    max_flash_mhz: int = NO_LIMIT
    cooldown_permille: int = 1000
    quiet: bool = False
    quiet_dba: float | None = None  # None while quiet bars every behaviour


def no_sunset(_day: date) -> int | None:
    return None


class Calendar:
    """Answers for any instant; keeps the pieces of the few days around the last question."""

    def __init__(self, spec: CalendarSpec, time_zone: str, sunset: Sunset = no_sunset) -> None:
        self.spec = spec
        self._zone = ZoneInfo(time_zone)
        self._sunset = sunset
        self._starts: list[int] = []
        self._pieces: list[Piece] = []
        self._valid_from = self._valid_until = 0
        self._last = Piece(0, 0)

    def piece(self, wall_ms: int) -> Piece:
        """Return the stretch that holds this UTC instant."""
        last = self._last
        if last.from_ms <= wall_ms < last.until_ms:
            return last
        if not self._valid_from <= wall_ms < self._valid_until:
            self._build(wall_ms)
        self._last = self._pieces[bisect_right(self._starts, wall_ms) - 1]
        return self._last

    def night_of(self, wall_ms: int) -> tuple[NightSpec, int, int] | None:
        """Return the night open now, else the next within two days: spec, opens, props' close."""
        found = [
            (opens, closes, night)
            for night, opens, closes in self._nights(wall_ms)
            if closes + night.last_group_min * MINUTE_MS > wall_ms
        ]
        if not found:
            return None
        opens, closes, night = min(found, key=lambda each: each[0])
        return night, opens, closes + night.last_group_min * MINUTE_MS

    def opening(self, day: date) -> tuple[int, int] | None:
        """Return when the night of that local date opens and when its props close."""
        around = self.first_instant(day, TimeOfDay(12 * 60))
        if around is None:
            return None
        for night, opens, closes in self._nights(around):
            if night.date == day:
                return opens, closes + night.last_group_min * MINUTE_MS
        return None

    def next_opening(self, wall_ms: int) -> int | None:
        """Return the first instant ahead, however far, at which a night opens."""
        today = self.local_date(wall_ms)
        for night in sorted(self.spec.nights, key=lambda each: each.date):
            if night.date >= today - timedelta(days=1):
                opens = self.first_instant(night.date, night.opens)
                if opens is not None and opens > wall_ms:
                    return opens
        return None

    def local_date(self, wall_ms: int) -> date:
        return utc(wall_ms).astimezone(self._zone).date()

    def first_instant(self, day: date, time: TimeOfDay) -> int | None:
        """Return the first instant with this local reading; in a skipped hour, the skip's end."""
        found = self._instants(day, time)
        return found[0] if found else None

    def _last_instant(self, day: date, time: TimeOfDay) -> int | None:
        found = self._instants(day, time)
        return found[-1] if found else None

    def _instants(self, day: date, time: TimeOfDay) -> list[int]:
        if time.from_sunset:
            sunset = self._sunset(day)
            return [] if sunset is None else [sunset + time.minutes * MINUTE_MS]
        reading = _midnight(day) + time.minutes * MINUTE_MS
        runs = list(self._offset_runs(reading - DAY_MS, reading + DAY_MS))
        found = [reading - offset for start, end, offset in runs if start <= reading - offset < end]
        # Clocks sprang over this reading: the hour's end is the first instant past it.
        return found or [start for start, _end, offset in runs[1:] if reading - offset < start][:1]

    def _offset_runs(self, from_ms: int, until_ms: int) -> Iterator[tuple[int, int, int]]:
        """Yield (start, end, offset_ms) runs of one UTC offset that cover the span."""
        start, offset = from_ms, self._offset(from_ms)
        probe = from_ms
        while probe < until_ms:
            ahead = min(probe + HOUR_MS, until_ms)
            if self._offset(ahead) != offset:
                change = self._change_between(probe, ahead, offset)
                yield start, change, offset
                start, offset = change, self._offset(change)
            probe = ahead
        yield start, until_ms, offset

    def _change_between(self, low: int, high: int, offset: int) -> int:
        """Return the first whole second between the two that has another offset."""
        seconds = range(low // 1000, high // 1000)
        later = bisect_left(seconds, True, key=lambda at_s: self._offset(1000 * at_s) != offset)
        return 1000 * (seconds.start + later)

    def _offset(self, wall_ms: int) -> int:
        offset = utc(wall_ms).astimezone(self._zone).utcoffset() or timedelta(0)
        return int(offset.total_seconds()) * 1000

    def _nights(self, wall_ms: int) -> Iterator[tuple[NightSpec, int, int]]:
        around = self.local_date(wall_ms)
        for night in self.spec.nights:
            if abs((night.date - around).days) > 3:
                continue
            opens = self.first_instant(night.date, night.opens)
            closes = self._last_instant(night.date, night.closes)
            if opens is not None and closes is not None and closes <= opens:
                closes = self._last_instant(night.date + timedelta(days=1), night.closes)
            if opens is not None and closes is not None:
                yield night, opens, closes

    def _build(self, wall_ms: int) -> None:
        low, high = wall_ms - 2 * DAY_MS, wall_ms + 2 * DAY_MS
        self._valid_from, self._valid_until = wall_ms - DAY_MS, wall_ms + DAY_MS
        runs = list(self._offset_runs(low, high))
        days = [self.local_date(low) + timedelta(days=n) for n in range(-1, 6)]
        nights = [
            (opens, closes, closes + night.last_group_min * MINUTE_MS)
            for night, opens, closes in self._nights(wall_ms)
        ]
        phases = [
            (lo, hi, phase)
            for phase in self.spec.phases
            for lo, hi in self._spans(days, runs, phase.start, phase.end, ())
        ]
        quiet = [
            (lo, hi, span)
            for span in self.spec.quiet
            for lo, hi in self._spans(days, runs, span.start, span.end, span.days)
        ]
        edges = {low, high}
        edges.update(edge for each in nights for edge in each)
        edges.update(edge for lo, hi, _ in phases for edge in (lo, hi))
        edges.update(edge for lo, hi, _ in quiet for edge in (lo, hi))
        self._starts = sorted(edge for edge in edges if low <= edge < high)
        ends = [*self._starts[1:], high]
        self._pieces = [
            self._verdict(start, end, nights, phases, quiet)
            for start, end in zip(self._starts, ends, strict=True)
        ]

    def _spans(
        self,
        days: list[date],
        runs: list[tuple[int, int, int]],
        start: TimeOfDay,
        end: TimeOfDay,
        weekdays: tuple[int, ...],
    ) -> Iterator[tuple[int, int]]:
        """Yield the UTC spans whose local reading lies within [start, end) of each day."""
        for day in days:
            if weekdays and day.weekday() not in weekdays:
                continue
            low, high = self._reading(day, start), self._reading(day, end)
            if low is None or high is None:
                continue
            if high <= low:
                high += DAY_MS
            for run_start, run_end, offset in runs:
                lo, hi = max(run_start, low - offset), min(run_end, high - offset)
                if lo < hi:
                    yield lo, hi

    def _reading(self, day: date, time: TimeOfDay) -> int | None:
        """Return the local reading as ms since the local epoch."""
        if not time.from_sunset:
            return _midnight(day) + time.minutes * MINUTE_MS
        sunset = self._sunset(day)
        if sunset is None:
            return None
        return sunset + self._offset(sunset) + time.minutes * MINUTE_MS

    def _verdict(
        self,
        start: int,
        end: int,
        nights: list[tuple[int, int, int]],
        phases: list[tuple[int, int, PhaseSpec]],
        quiet: list[tuple[int, int, QuietSpec]],
    ) -> Piece:
        always = not self.spec.nights
        now = [phase for lo, hi, phase in phases if lo <= start < hi]
        hush = [span.max_level_dba for lo, hi, span in quiet if lo <= start < hi]
        levels = [level for level in hush if level is not None]
        intensities = [p.max_intensity for p in now if p.max_intensity is not None]
        flashes = [p.max_flash_mhz for p in now if p.max_flash_mhz is not None]
        return Piece(
            from_ms=start,
            until_ms=end,
            open=always or any(lo <= start < hi for lo, _closes, hi in nights),
            entrance_open=always or any(lo <= start < hi for lo, hi, _last in nights),
            phases=tuple(phase.name for phase in now),
            max_intensity=min(intensities, default=NO_LIMIT),
            max_flash_mhz=min(flashes, default=NO_LIMIT),
            cooldown_permille=max((p.cooldown_permille for p in now), default=1000),
            quiet=bool(hush),
            quiet_dba=min(levels) if levels and len(levels) == len(hush) else None,
        )


def utc(wall_ms: int) -> datetime:
    """Return the instant to the whole second, in UTC."""
    return datetime.fromtimestamp(wall_ms // 1000, UTC)


def _midnight(day: date) -> int:
    return (day.toordinal() - date(1970, 1, 1).toordinal()) * DAY_MS
