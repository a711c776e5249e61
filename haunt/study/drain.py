"""What packs did in one night: their curves, what they will have left, and boards that restarted.

It reads health as counts of equal readings in five minutes, so a night of any length stays small.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final, NamedTuple

from haunt.core.calendar import Sunset, no_sunset
from haunt.study.findings import packs
from haunt.study.findings.ground import Ground
from haunt.study.findings.kinds import PackForecast
from haunt.wire.showfile import ReadShow
from haunt.wire.showmodels import Board, ShowFile
from haunt.wire.showpower import Battery
from haunt.workshop.band import Band
from haunt.workshop.forecast import (
    OFF_POINTS,
    STEP_MS,
    Outlook,
    Rate,
    Reading,
    expected,
    forecast,
    measured,
    swapped_before,
)
from haunt.workshop.pack import canonical, charge_band

FLOOR_PERCENT: Final = 10.0
FLAT_OFF_POINTS: Final = 25.0
"""Two published curves of iron phosphate are up to 40 points of charge apart at one voltage."""
STREAK_MS: Final = 600_000
BROWN_OUT: Final = "brown-out"


class Counted(NamedTuple):
    """So many equal readings of one boot within five minutes, from `step * STEP_MS` on."""

    board: str
    step: int
    boot: str
    percent: int | None
    times: int
    first_ms: int
    low_mv: int | None
    high_mv: int | None
    reset: str


class Point(NamedTuple):
    """Five minutes of a pack: `percent` is near rest, `low` what load pulled it down to."""

    at_ms: int
    percent: float | None
    low: int | None
    low_mv: int | None
    high_mv: int | None


class Streak(NamedTuple):
    """New boots of a board close together, in the middle of the night."""

    from_ms: int
    until_ms: int
    reset: str
    times: int


@dataclass(frozen=True, slots=True)
class Curve:
    """One board's pack over a night. `rate` is the readings' own; `outlook` blends it.

    Where the voltage tells no charge, `outlook` counts from a pack that was full at its first word.
    """

    board: str
    chemistry: str
    points: tuple[Point, ...]
    streaks: tuple[Streak, ...]
    prior: Rate | None
    rate: Rate | None
    outlook: Outlook | None
    now: Band | None
    floor_percent: float

    @property
    def restarts(self) -> int:
        return sum(each.times for each in self.streaks)

    @property
    def brown_outs(self) -> int:
        return sum(each.times for each in self.streaks if each.reset == BROWN_OUT)


def priors(read: ReadShow, sunset: Sunset = no_sunset) -> dict[str, Rate]:
    """Return what the sums before the night promise of each pack that they can be done for."""
    ground, found = Ground(read, sunset), {}
    for each in packs.checks(ground):
        if isinstance(each, PackForecast):
            kept = 1 - max(packs.RESERVE, _retire(ground.show, each.board) / 100)
            whole = each.forecast.gives.scaled(1 / kept)
            found[each.board] = expected(each.forecast.takes, whole, each.forecast.night_h)
    return found


def floor_percent(show: ShowFile, board: str) -> float:
    """Where the pack counts as done: its props' retire level, or a tenth."""
    return max(FLOOR_PERCENT, _retire(show, board))


def off_points(battery: Battery, rest_mv: int | None) -> float:
    """How far the charge of a pack may lie from what its voltage tells, nineteen of twenty."""
    band = None if rest_mv is None else charge_band(battery.chemistry, battery.series, rest_mv)
    least = FLAT_OFF_POINTS if canonical(battery.chemistry) == "lfp" else OFF_POINTS
    return least if band is None else max(least, band.high - band.at, band.at - band.low)


def curves(
    show: ShowFile,
    counted: Iterable[Counted],
    expectations: Mapping[str, Rate],
    *,
    now_ms: int,
    until_ms: int,
) -> tuple[Curve, ...]:
    """Draw every pack of a show up to `now_ms`, and look ahead to `until_ms`."""
    by_board: dict[str, list[Counted]] = {each.id: [] for each in show.boards}
    for each in counted:
        if each.board in by_board:
            by_board[each.board].append(each)
    return tuple(
        _curve(show, board, by_board[board.id], expectations.get(board.id), (now_ms, until_ms))
        for board in show.boards
        if board.battery is not None
    )


def _curve(
    show: ShowFile,
    board: Board,
    counted: Sequence[Counted],
    prior: Rate | None,
    times: tuple[int, int],
) -> Curve:
    assert board.battery is not None
    now_ms, until_ms = times
    points = tuple(_points(counted))
    readings = [Reading(p.at_ms, p.percent) for p in points if p.percent is not None]
    off = off_points(board.battery, points[-1].high_mv if points else None)
    floor = floor_percent(show, board.id)
    begun = [Reading(points[0].at_ms, 100.0)] if points and not readings else readings
    outlook = forecast(
        prior, begun, now_ms=now_ms, until_ms=until_ms, floor_percent=floor, off_points=off
    )
    last = readings[-1].percent if readings else None
    return Curve(
        board.id,
        board.battery.chemistry,
        points,
        tuple(_streaks(counted)),
        prior,
        measured(readings[swapped_before(readings) :], off),
        outlook,
        None if last is None else Band(last, max(0.0, last - off), min(100.0, last + off)),
        floor,
    )


def _points(counted: Sequence[Counted]) -> Iterable[Point]:
    """The third quartile of each five minutes: load lowers a voltage, nothing raises it."""
    ordered = sorted(counted, key=lambda each: each.step)
    for step, group in groupby(ordered, key=lambda each: each.step):
        same = list(group)
        known = sorted((each.percent, each.times) for each in same if each.percent is not None)
        lows = [each.low_mv for each in same if each.low_mv is not None]
        highs = [each.high_mv for each in same if each.high_mv is not None]
        if lows:
            yield Point(
                step * STEP_MS + STEP_MS // 2,
                _third_quartile(known) if known else None,
                known[0][0] if known else None,
                min(lows),
                max(highs),
            )


def _third_quartile(known: Sequence[tuple[int, int]]) -> float:
    wanted = (3 * (sum(count for _, count in known) - 1) + 2) // 4
    for percent, count in known:
        if wanted < count:
            return float(percent)
        wanted -= count
    return float(known[-1][0])


def _streaks(counted: Sequence[Counted]) -> Iterable[Streak]:
    """New boots after the first; those of one kind within ten minutes are one streak."""
    began: dict[str, Counted] = {}
    for each in sorted(counted, key=lambda each: each.first_ms):
        began.setdefault(each.boot, each)
    open_: Streak | None = None
    for each in list(began.values())[1:]:
        if (
            open_ is not None
            and each.reset == open_.reset
            and each.first_ms - open_.until_ms <= STREAK_MS
        ):
            open_ = open_._replace(until_ms=each.first_ms, times=open_.times + 1)
            continue
        if open_ is not None:
            yield open_
        open_ = Streak(each.first_ms, each.first_ms, each.reset, 1)
    if open_ is not None:
        yield open_


def _retire(show: ShowFile, board: str) -> float:
    return max(
        (float(each.retire_percent or 0) for each in show.props if each.board == board),
        default=0.0,
    )
