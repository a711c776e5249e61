"""Joins journal, show file and sums: triggers counted, and packs with what they will have left."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.reporting import span_of
from haunt.site.countports import Counts, Packs
from haunt.store.countrows import boots_in, quarters_in, recent
from haunt.store.engines import Engine
from haunt.store.packrows import counted_in, heard_before
from haunt.study.drain import curves, priors
from haunt.study.nightfacts import Span
from haunt.study.tallies import boards, night_of, nights, tallies_of
from haunt.wire.showfile import ReadShow, read_show
from haunt.workshop.forecast import Rate


class Countings:
    """Satisfies `site.countports.CountBook`: three statements a page."""

    def __init__(self, engine: Engine, time_zone: Callable[[], str]) -> None:
        self._engine, self._time_zone = engine, time_zone

    def counts(self, day: str | None) -> Counts | str:
        zone = ZoneInfo(self._time_zone())
        known = nights(recent(self._engine), zone)
        wanted = named(day) if day is not None else (known[0][0] if known else None)
        if wanted is None:
            return no_date(day) if day is not None else "no decision has been made yet"
        span = noon_to_noon(wanted, zone)
        return Counts(
            tallies_of(wanted, quarters_in(self._engine, span), zone),
            tuple(boards(boots_in(self._engine, span))),
            tuple(known),
        )


class PackWatch:
    """Satisfies `site.countports.PackBook`: three statements a page, and a show file read once."""

    def __init__(
        self, engine: Engine, kept: Callable[[], tuple[int, str]], wall_ms: Callable[[], int]
    ) -> None:
        self._engine, self._kept, self._wall_ms = engine, kept, wall_ms
        self._known: tuple[int, ReadShow, dict[str, Rate]] | None = None

    def packs(self, day: str | None) -> Packs | str:
        read, rates = self._show()
        zone = ZoneInfo(read.show.info.time_zone)
        wanted = named(day) if day is not None else self._newest(zone)
        if wanted is None:
            return no_date(day) if day is not None else "no board has told of itself yet"
        span = span_of(read.show, wanted)
        before = heard_before(self._engine, min(span.from_ms, noon_to_noon(wanted, zone).from_ms))
        now_ms = min(max(self._wall_ms(), span.from_ms), span.until_ms)
        counted = counted_in(self._engine, span._replace(until_ms=now_ms + 1))
        return Packs(
            wanted.isoformat(),
            span,
            now_ms,
            curves(read.show, counted, rates, now_ms=now_ms, until_ms=span.until_ms),
            None if before is None else night_of(before, zone).isoformat(),
        )

    def _newest(self, zone: ZoneInfo) -> date | None:
        heard_ms = heard_before(self._engine)
        return None if heard_ms is None else night_of(heard_ms, zone)

    def _show(self) -> tuple[ReadShow, dict[str, Rate]]:
        """Read the show file, and its sums, once a version."""
        version, text = self._kept()
        if self._known is None or self._known[0] != version:
            read = read_show(text, "show")
            self._known = version, read, priors(read, sunset_of(read.show))
        return self._known[1:]


def named(day: str) -> date | None:
    try:
        return date.fromisoformat(day)
    except ValueError:
        return None


def no_date(day: str) -> str:
    return f"{day!r} is no date; a night is named by YYYY-MM-DD"


def noon_to_noon(day: date, zone: ZoneInfo) -> Span:
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=zone)
    after = noon + timedelta(days=1)
    return Span(round(noon.timestamp() * 1000), round(after.timestamp() * 1000))
