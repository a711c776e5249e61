"""Straight lines between the points of a printed table."""

from bisect import bisect_right
from collections.abc import Sequence
from operator import itemgetter

Points = Sequence[tuple[float, float]]


def on_line(points: Points, x: float) -> float:
    """Return y at x, by points (x, y) of rising x; beyond the ends the last line goes on.

    Raises IndexError for fewer than two points.
    """
    above = min(max(1, bisect_right(points, x, key=itemgetter(0))), len(points) - 1)
    (x_0, y_0), (x_1, y_1) = points[above - 1], points[above]
    return y_0 + (y_1 - y_0) * (x - x_0) / (x_1 - x_0)
