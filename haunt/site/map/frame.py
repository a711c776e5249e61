"""Metres of a garden on a sheet: one scale both ways, y upwards, a grid of round numbers."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor
from typing import Final

from haunt.site.map.lettering import Box
from haunt.study.places import Spot

WIDTH: Final = 1000.0
HEIGHT_MIN, HEIGHT_MAX = 240.0, 620.0
SIDE, TOP, FOOT = 46.0, 26.0, 44.0
"""Room for the numbers of the grid and for the scale bar."""
ROUND_M: Final = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 5000.0)
SQUARE_MIN: Final = 34.0
MARGIN_M: Final = 1.5
SPAN_MIN_M: Final = 6.0


@dataclass(frozen=True, slots=True)
class Frame:
    """`scale` is units a metre; `left_m` and `top_m` lie at the corner of the sheet."""

    scale: float
    left_m: float
    top_m: float
    height: float
    square_m: float

    def at(self, spot: Spot) -> Spot:
        return (spot[0] - self.left_m) * self.scale, (self.top_m - spot[1]) * self.scale

    @property
    def sheet(self) -> Box:
        """Where things and names may be."""
        return Box(SIDE, TOP, WIDTH - 6, self.height - FOOT)

    def columns(self) -> list[tuple[float, float]]:
        """Units and metres of the grid's upright lines."""
        low, high = self.sheet.left / self.scale, self.sheet.right / self.scale
        lines = _steps(self.left_m + low, self.left_m + high, self.square_m)
        return [(self.at((m, 0))[0], m) for m in lines]

    def rows(self) -> list[tuple[float, float]]:
        high, low = self.sheet.top / self.scale, self.sheet.bottom / self.scale
        lines = _steps(self.top_m - low, self.top_m - high, self.square_m)
        return [(self.at((0, m))[1], m) for m in lines]


def frame_of(spots: Iterable[Spot]) -> Frame:
    """Fit all of it on one sheet, with a little room around."""
    found = list(spots) or [(0.0, 0.0)]
    left, right = _span([x for x, _ in found])
    low, high = _span([y for _, y in found])
    wide, high_room = WIDTH - SIDE - 6, HEIGHT_MAX - TOP - FOOT
    scale = min(wide / (right - left), high_room / (high - low))
    height = max(HEIGHT_MIN, (high - low) * scale + TOP + FOOT)
    spare_x = (wide / scale - (right - left)) / 2
    spare_y = ((height - TOP - FOOT) / scale - (high - low)) / 2
    square = next((m for m in ROUND_M if m * scale >= SQUARE_MIN), ROUND_M[-1])
    return Frame(
        scale,
        left - spare_x - SIDE / scale,
        high + spare_y + TOP / scale,
        height,
        square,
    )


def _span(values: list[float]) -> tuple[float, float]:
    low, high = min(values) - MARGIN_M, max(values) + MARGIN_M
    short = max(0.0, SPAN_MIN_M - (high - low)) / 2
    return low - short, high + short


def _steps(low: float, high: float, step: float) -> list[float]:
    first, last = ceil(low / step), floor(high / step)
    return [n * step for n in range(first, last + 1)]
