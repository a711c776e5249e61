"""How long each pack lasts tonight: its readings so far, blended with what the sums expected.

It keeps readings and looks ahead twice a minute; it decides nothing about the show.
"""

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

from haunt.core.calendar import HOUR_MS, utc
from haunt.core.moment import extension_ms
from haunt.core.night import Board, Night
from haunt.live.alerts.book import AlertBook
from haunt.live.alerts.kinds import Finding, Kind, key_of
from haunt.live.views import PackView
from haunt.workshop.forecast import (
    LASTS_H_MAX,
    OFF_POINTS,
    Outlook,
    Rate,
    Trail,
    forecast,
)

LOOK_EVERY_MS: Final = 30_000
FLOOR_PERCENT: Final = 10.0
"""Where no prop of a board names the charge at which it retires: common practice, no source."""
BEFORE_OPENING_MS: Final = 2 * HOUR_MS
"""Boards are switched on about then; what comes before says nothing of tonight."""
SHORT_SURE, ENOUGH_SURE = 0.5, 0.65
"""More likely than not it will not last; between the two an alert neither comes nor goes."""
STEP_MS: Final = 600_000
"""Clock times of a forecast are given in steps of ten minutes: it knows no better."""


class PackSheet(NamedTuple):
    """What is known of a pack beforehand: points an hour by its data sheet, and its table's doubt.

    `prior` is None where the show file says too little.
    """

    prior: Rate | None = None
    off_points: float = OFF_POINTS


class Forecasts:
    """One trail a board. `views` are what pages may see."""

    def __init__(self, sheets: Mapping[str, PackSheet]) -> None:
        self.views: dict[str, PackView] = {}
        self._sheets = sheets
        self._trails: dict[str, Trail] = {}
        self._short: set[str] = set()
        self._next_look_ms = 0

    def read(self, board: str, percent: int, mono_ms: int) -> None:
        """A charge by a voltage that can be believed."""
        self._trails.setdefault(board, Trail()).add(mono_ms, percent)

    def is_due(self, mono_ms: int) -> bool:
        return mono_ms >= self._next_look_ms

    def look(self, night: Night, mono_ms: int, told: AlertBook) -> list[Finding]:
        """Look ahead for every pack; return those that will not last till close.

        A pack that is told to be low is not told to be short as well.
        """
        self._next_look_ms = mono_ms + LOOK_EVERY_MS
        until = close_of(night)
        self.views = {}
        for name, trail in self._trails.items():
            board = night.boards.get(name)
            found = self._ahead(board, trail, night, until) if board is not None else None
            if found is not None:
                self.views[name] = found
        short = self._findings(night)
        return [each for each in short if key_of(Kind.PACK_LOW, each.subject) not in told]

    def _ahead(
        self, board: Board, trail: Trail, night: Night, until_ms: int | None
    ) -> PackView | None:
        sheet = self._sheets.get(board.spec.id, PackSheet())
        floor, now = floor_of(board), night.now_ms
        found = forecast(
            sheet.prior,
            trail.readings(),
            now_ms=now,
            until_ms=now if until_ms is None else until_ms - night.offset_ms,
            floor_percent=floor,
            off_points=sheet.off_points,
        )
        return None if found is None else _view(found, floor, night.wall_ms, until_ms)

    def _findings(self, night: Night) -> Iterator[Finding]:
        zone = ZoneInfo(night.show.time_zone)
        for board, view in self.views.items():
            if view.until_ms is None or not night.boards[board].here or not _is_near(night):
                self._short.discard(board)
                continue
            if view.sure < SHORT_SURE:
                self._short.add(board)
            elif view.sure > ENOUGH_SURE:
                self._short.discard(board)
            if board in self._short and view.ends_ms is not None:
                ends = round(view.ends_ms / STEP_MS) * STEP_MS
                about = (("ends", _clock(ends, zone)), ("close", _clock(view.until_ms, zone)))
                yield Finding(Kind.PACK_SHORT, board, about)


def close_of(night: Night) -> int | None:
    """Return when the props' night ends, by UTC; None where it has no end or it is days off."""
    known = night.calendar.night_of(night.wall_ms)
    return None if known is None else known[2] + extension_ms(night)


def floor_of(board: Board) -> float:
    levels = [each.spec.retire_percent for each in board.props]
    return max([FLOOR_PERCENT, *(each for each in levels if each is not None)])


def _is_near(night: Night) -> bool:
    known = night.calendar.night_of(night.wall_ms)
    return known is not None and night.wall_ms >= known[1] - BEFORE_OPENING_MS


def _view(found: Outlook, floor: float, wall_ms: int, until_ms: int | None) -> PackView:
    return PackView(
        found.now,
        round(floor),
        _instant(wall_ms, found.lasts_h.at),
        _instant(wall_ms, found.lasts_h.low),
        _instant(wall_ms, found.lasts_h.high),
        until_ms,
        found.sure,
        found.measured,
    )


def _instant(wall_ms: int, hours: float) -> int | None:
    return None if hours >= LASTS_H_MAX else wall_ms + round(hours * HOUR_MS)


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    return f"{utc(at_ms).astimezone(zone):%H:%M}"
