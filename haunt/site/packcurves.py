"""One pack's night as a picture: a line, its doubt, what load did, what is expected, restarts."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from haunt.site.clocks import Clock, lasting
from haunt.site.countports import Packs
from haunt.study.drain import Curve, Point, Streak
from haunt.workshop.forecast import STEP_MS, SWAPPED_POINTS

WIDTH, HEIGHT = 300, 100
POINTS_MAX: Final = 120
GAP_MS: Final = 3 * STEP_MS


class Mark(NamedTuple):
    """Restarts at one place of the picture: how many, and whether the pack is suspected."""

    x: str
    times: int
    is_brown_out: bool
    words: str


@dataclass(frozen=True, slots=True)
class Picture:
    """Points of lines and areas in units of the picture, 300 by 100; empty ones are not drawn."""

    lines: tuple[str, ...]
    doubt: str
    dips: str
    ahead: str
    fan: str
    floor_y: str
    now_x: str
    marks: tuple[Mark, ...]


def picture(curve: Curve, packs: Packs, clock: Clock) -> Picture:
    place = _Place(packs)
    known = [each for each in thinned(curve.points) if each.percent is not None]
    off = (
        0.0
        if curve.now is None
        else max(curve.now.high - curve.now.at, curve.now.at - curve.now.low)
    )
    runs = list(_runs(known))
    ahead, fan = _ahead(curve, packs, place)
    return Picture(
        tuple(_joined(place.at(p.at_ms, p.percent or 0.0) for p in run) for run in runs),
        " ".join(_area(run, off, place) for run in runs),
        _joined(place.at(p.at_ms, p.low) for p in known if p.low is not None),
        ahead,
        fan,
        f"{place.y(curve.floor_percent):g}",
        f"{place.x(packs.now_ms):g}",
        tuple(
            Mark(
                f"{place.x(each.from_ms):g}",
                each.times,
                each.reset == "brown-out",
                streak_words(each, clock),
            )
            for each in curve.streaks
        ),
    )


class _Place:
    """Where an instant and a charge lie in the picture."""

    def __init__(self, packs: Packs) -> None:
        self._from, self._span = packs.span.from_ms, packs.span.until_ms - packs.span.from_ms

    def x(self, at_ms: float) -> float:
        return round(WIDTH * (at_ms - self._from) / self._span)

    def y(self, percent: float) -> float:
        return round(HEIGHT * (1 - min(100.0, max(0.0, percent)) / 100))

    def at(self, at_ms: float, percent: float) -> str:
        return f"{self.x(at_ms):g},{self.y(percent):g}"


def thinned(points: Sequence[Point], most: int = POINTS_MAX) -> list[Point]:
    """At most so many, each standing for its neighbours; the least of them is kept."""
    step = -(-len(points) // most)
    if step <= 1:
        return list(points)
    found = []
    for place in range(0, len(points), step):
        same = points[place : place + step]
        lows = [each.low for each in same if each.low is not None]
        found.append(same[len(same) // 2]._replace(low=min(lows, default=None)))
    return found


def _runs(points: Sequence[Point]) -> Iterator[list[Point]]:
    """Cut where nothing was heard, and where the pack was changed."""
    run: list[Point] = []
    for each in points:
        is_cut = run and (
            each.at_ms - run[-1].at_ms > GAP_MS * max(1, len(points) // POINTS_MAX)
            or (each.percent or 0) >= (run[-1].percent or 0) + SWAPPED_POINTS
        )
        if is_cut:
            yield run
            run = []
        run.append(each)
    if run:
        yield run


def _area(run: Sequence[Point], off: float, place: _Place) -> str:
    upper = [place.at(p.at_ms, (p.percent or 0) + off) for p in run]
    lower = [place.at(p.at_ms, (p.percent or 0) - off) for p in reversed(run)]
    return f"M{' '.join([*upper, *lower])}Z"


def _ahead(curve: Curve, packs: Packs, place: _Place) -> tuple[str, str]:
    """The forecast as a line and its fan; nothing where there is none, or the night is over."""
    outlook = curve.outlook
    if outlook is None or packs.is_over:
        return "", ""
    now, end, at_ms, until_ms = outlook.now, outlook.at_end, packs.now_ms, packs.span.until_ms
    line = _joined((place.at(at_ms, now.at), place.at(until_ms, end.at)))
    fan = _joined(
        (
            place.at(at_ms, now.high),
            place.at(until_ms, end.high),
            place.at(until_ms, end.low),
            place.at(at_ms, now.low),
        )
    )
    return line, fan


def _joined(points: Iterator[str] | tuple[str, ...]) -> str:
    return " ".join(points)


def streak_words(streak: Streak, clock: Clock) -> str:
    how_often = "once" if streak.times == 1 else f"{streak.times} times"
    span = f"at {clock.minute(streak.from_ms)}"
    if streak.times > 1:
        span = f"from {clock.minute(streak.from_ms)} within {_within(streak)}"
    return f"Restarted {how_often} ({streak.reset}) {span}."


def _within(streak: Streak) -> str:
    return lasting(max(60_000, streak.until_ms - streak.from_ms))
