"""Whether a pack that is being watched lasts: what was expected of it, blended with what it does.

Charge in percent, rates in points of charge an hour, instants in ms of any one clock. Pure sums.
The blend is that of two normal estimates by their precision: at first the data sheet speaks, and
with every hour of readings more the pack itself.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from statistics import NormalDist, fmean, linear_regression, median
from typing import Final, NamedTuple

from haunt.core.calendar import HOUR_MS
from haunt.workshop.band import NINETEEN_OF_TWENTY, Band

STEP_MS: Final = 300_000
STEPS_MAX: Final = 288
OFF_POINTS: Final = 10.0
"""What real cells of a chemistry differ by from its table, nineteen of twenty (`pack`)."""
SHAPE: Final = 0.5
"""Between near charges two tables of one chemistry differ by up to half in their slope."""
NOISE_POINTS: Final = 1.5
"""The least doubt of one rest reading: whole points, and a meter good to ten millivolts."""
SWING: Final = 0.25
"""Visitors come unevenly: one hour's draw is within half of the mean, nineteen of twenty. Common
practice, no source."""
SWAPPED_POINTS: Final = 15.0
"""A pack that gains this much was changed or charged: what it did before tells nothing."""
AROUND: Final = 3
SPAN_MS_MIN: Final = 900_000
READINGS_MIN: Final = 4
BELIEVED_APART: Final = 2.0
LASTS_H_MAX: Final = 48.0


class Reading(NamedTuple):
    """Charge by a voltage at rest, or near it."""

    at_ms: int
    percent: float


class Rate(NamedTuple):
    """Points of charge an hour, and one standard deviation of it."""

    at: float
    sigma: float


@dataclass(frozen=True, slots=True)
class Outlook:
    """`sure` is the chance to be above the floor at the end. `measured` is the readings' share.

    `lasts_h` counts from now to the floor, 48 at most. Rates and charges hold nineteen of twenty.
    """

    now: Band
    rate: Band
    at_end: Band
    lasts_h: Band
    sure: float
    measured: float


class Trail:
    """The readings of one pack since it was put in, one each five minutes, a day of them.

    Within five minutes the third quartile stands: load lowers a voltage, nothing raises it.
    """

    __slots__ = ("_kept", "_open", "_step")

    def __init__(self) -> None:
        self._kept: list[Reading] = []
        self._open: list[float] = []
        self._step = -1

    def add(self, at_ms: int, percent: float) -> None:
        step = at_ms // STEP_MS
        if step != self._step:
            self._close()
            self._step = step
        self._open.append(percent)

    def readings(self) -> list[Reading]:
        """Oldest first, the last one of the five minutes that go on."""
        found = [*self._kept, *self._pending()]
        return found[swapped_before(found) :]

    def _pending(self) -> list[Reading]:
        if not self._open:
            return []
        return [Reading(self._step * STEP_MS + STEP_MS // 2, third_quartile(self._open))]

    def _close(self) -> None:
        self._kept += self._pending()
        self._kept = self._kept[max(swapped_before(self._kept), len(self._kept) - STEPS_MAX) :]
        self._open = []


def third_quartile(values: Sequence[float]) -> float:
    ordered = sorted(values)
    return ordered[(3 * (len(ordered) - 1) + 2) // 4]


def swapped_before(readings: Sequence[Reading]) -> int:
    """Return the place of the first reading of the pack that is in now; three show a new one."""
    first = 0
    for place in range(AROUND, len(readings) - AROUND + 1):
        before = median(each.percent for each in readings[place - AROUND : place])
        after = median(each.percent for each in readings[place : place + AROUND])
        if after >= before + SWAPPED_POINTS:
            first = place
    return first


def expected(takes_mah: Band, whole_mah: Band, hours: float) -> Rate:
    """The rate that sums before the night promise: what it takes of what the full pack holds.

    Raises ValueError for a night of no hours or a pack that may hold nothing.
    """
    if hours <= 0 or whole_mah.low <= 0:
        raise ValueError(f"{whole_mah.low} mAh over {hours} h; allowed: each more than 0")
    at = 100 * takes_mah.at / whole_mah.at / hours
    share = sqrt(
        (takes_mah.sigma / max(takes_mah.at, 1e-9)) ** 2 + (whole_mah.sigma / whole_mah.at) ** 2
    )
    return Rate(at, at * share)


def measured(readings: Sequence[Reading], off_points: float = OFF_POINTS) -> Rate | None:
    """The slope by least squares, and how far to trust it; None while it says too little.

    Its doubt has three parts: scatter of the readings; the table's shape, which is the same however
    many readings there are; and that these hours may have been busier than the next.
    """
    mine = readings[swapped_before(readings) :]
    if len(mine) < READINGS_MIN or mine[-1].at_ms - mine[0].at_ms < SPAN_MS_MIN:
        return None
    hours = [(each.at_ms - mine[0].at_ms) / HOUR_MS for each in mine]
    slope, scatter = _line(hours, [each.percent for each in mine])
    rate, span = max(0.0, -slope), hours[-1]
    shape = min(sqrt(2) * off_points / NINETEEN_OF_TWENTY, SHAPE * rate * span) / span
    swing = SWING * rate / sqrt(span)
    return Rate(rate, sqrt(scatter**2 + shape**2 + swing**2))


def blended(prior: Rate | None, seen: Rate | None) -> tuple[Rate, float] | None:
    """Return the rate to go by and the readings' share of it; None where nothing is known.

    Where the two are further apart than both their doubts allow, it is the expectation that is
    wrong, for the visitors are guessed and the readings are not: it is doubted as much as it takes.
    """
    if prior is None or seen is None:
        only = prior or seen
        return None if only is None else (only, 0.0 if seen is None else 1.0)
    apart = ((prior.at - seen.at) / BELIEVED_APART) ** 2
    prior_var = max(prior.sigma**2, apart - seen.sigma**2, 1e-9)
    seen_var = max(seen.sigma**2, 1e-9)
    weight = prior_var / (prior_var + seen_var)
    at = prior.at + weight * (seen.at - prior.at)
    return Rate(at, sqrt(prior_var * seen_var / (prior_var + seen_var))), weight


def forecast(
    prior: Rate | None,
    readings: Sequence[Reading],
    *,
    now_ms: int,
    until_ms: int,
    floor_percent: float = 10.0,
    off_points: float = OFF_POINTS,
) -> Outlook | None:
    """Say how a pack stands now and at `until_ms`. `floor_percent` is where it counts as done.

    None where its charge cannot be told, or neither expectation nor readings give a rate.
    """
    mine = readings[swapped_before(readings) :]
    found = blended(prior, measured(mine, off_points))
    if not mine or found is None:
        return None
    rate, weight = found
    recent = mine[-AROUND:]
    late_h = max(0.0, (now_ms - fmean(each.at_ms for each in recent)) / HOUR_MS)
    level = median(each.percent for each in recent) - late_h * rate.at
    course = _Course(max(0.0, level), off_points / NINETEEN_OF_TWENTY, rate)
    hours = max(0.0, (until_ms - now_ms) / HOUR_MS)
    return Outlook(
        course.at(0),
        _band(rate.at, rate.sigma, most=inf),
        course.at(hours),
        course.lasts_h(floor_percent),
        course.sure(hours, floor_percent),
        weight,
    )


@dataclass(frozen=True, slots=True)
class _Course:
    """A charge that falls: where it is, how sure that is, and how fast it goes."""

    level: float
    sigma: float
    rate: Rate

    def at(self, hours: float) -> Band:
        return _band(self.mean(hours), self.doubt(hours))

    def mean(self, hours: float) -> float:
        return self.level - hours * self.rate.at

    def doubt(self, hours: float) -> float:
        ahead = (hours * self.rate.sigma) ** 2 + hours * (SWING * self.rate.at) ** 2
        return sqrt(self.sigma**2 + ahead)

    def sure(self, hours: float, floor: float) -> float:
        doubt = max(self.doubt(hours), 1e-9)
        return NormalDist(floor, doubt).cdf(self.mean(hours))

    def lasts_h(self, floor: float) -> Band:
        at, low, high = (
            self._down_to(floor, each) for each in (0.0, -NINETEEN_OF_TWENTY, NINETEEN_OF_TWENTY)
        )
        return Band(at, min(low, at), max(high, at))

    def _down_to(self, floor: float, sigmas: float) -> float:
        """Return the first step of a minute at which this edge of the band is at the floor."""
        minutes = range(int(60 * LASTS_H_MAX) + 1)
        return (
            bisect_left(
                minutes,
                True,
                key=lambda n: self.mean(n / 60) + sigmas * self.doubt(n / 60) <= floor,
            )
            / 60
        )


def _band(at: float, sigma: float, most: float = 100.0) -> Band:
    off = NINETEEN_OF_TWENTY * sigma
    middle = min(most, max(0.0, at))
    return Band(middle, min(middle, max(0.0, at - off)), max(middle, min(most, at + off)))


def _line(x: Sequence[float], y: Sequence[float]) -> tuple[float, float]:
    """Return slope and its standard error by least squares."""
    slope, at_zero = linear_regression(x, y)
    left = [b - at_zero - slope * a for a, b in zip(x, y, strict=True)]
    middle = fmean(x)
    spread = sum((each - middle) ** 2 for each in x)
    noise = max(NOISE_POINTS**2, sum(each**2 for each in left) / max(1, len(x) - 2))
    return slope, sqrt(noise / spread)
