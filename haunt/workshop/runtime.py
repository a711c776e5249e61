"""Whether a pack lasts till close: idle, and each behaviour's charge at the visitors who come.

Milliampere hours, hours, groups an hour. Chance is a normal one round the means; it says how sure
a forecast is, not what will happen. A value out of range raises ValueError.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

from haunt.workshop.band import NINETEEN_OF_TWENTY, Band
from haunt.workshop.deadtime import answered_share

COOLDOWN_MOST_S = 600
UNMEASURED_CURRENT = 0.2
"""A current from a data sheet is good to a fifth either way: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Play:
    """One behaviour: its part of the starts, how long, and mA beyond what flows anyway."""

    share: float
    duration_s: float
    extra_ma: float

    @property
    def mah(self) -> float:
        return self.extra_ma * self.duration_s / 3600

    def milliwatt_hours(self, volts: float) -> float:
        return self.mah * volts


@dataclass(frozen=True, slots=True)
class Turn:
    """A prop during a stretch: its cooldown as stretched there, what it may play, and its cap."""

    cooldown_s: float
    plays: tuple[Play, ...]
    most_per_hour: float | None = None

    def starts_per_hour(self, groups_per_hour: float) -> float:
        """Groups that find it ready: those in its rest do not stretch the rest."""
        weight = sum(each.share for each in self.plays)
        if weight <= 0 or groups_per_hour <= 0:
            return 0.0
        busy_s = sum(each.share * each.duration_s for each in self.plays) / weight
        found = starts_per_hour(groups_per_hour, busy_s + self.cooldown_s)
        return found if self.most_per_hour is None else min(found, self.most_per_hour)

    def mean_mah(self) -> float:
        weight = sum(each.share for each in self.plays)
        return sum(each.share * each.mah for each in self.plays) / weight if weight > 0 else 0.0

    def mean_square_mah(self) -> float:
        weight = sum(each.share for each in self.plays)
        if weight <= 0:
            return 0.0
        return sum(each.share * each.mah**2 for each in self.plays) / weight


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the night under one set of rules."""

    hours: float
    turns: tuple[Turn, ...]


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a pack gives and what the night takes, in mAh; `sure` is the chance that it lasts."""

    gives: Band
    takes: Band
    night_h: float
    sure: float

    @property
    def lasts_h(self) -> Band:
        """How long at the night's mean draw, from the worst to the best of both bands."""
        mean, most, least = (
            max(each, 1e-9) for each in (self.takes.at, self.takes.high, self.takes.low)
        )
        return Band(
            self.gives.at / mean * self.night_h,
            self.gives.low / most * self.night_h,
            self.gives.high / least * self.night_h,
        )


def starts_per_hour(groups_per_hour: float, busy_s: float) -> float:
    """Groups an hour that find a prop ready: who comes in its rest does not lengthen it."""
    return groups_per_hour * answered_share(groups_per_hour, busy_s)


def taken_mah(stretches: tuple[Stretch, ...], idle_ma: float, groups: Band) -> Band:
    """What a board takes over the night: the traffic's spread, chance, and unmeasured currents."""
    if idle_ma < 0 or groups.low < 0:
        raise ValueError(f"{idle_ma} mA idle, {groups.low} groups/h; allowed: 0 and more")
    at, low, high = (
        _mean(stretches, idle_ma, each) for each in (groups.at, groups.low, groups.high)
    )
    chance = _variance(stretches, groups.at)
    spread = Band(at, low, high).sigma ** 2 + (UNMEASURED_CURRENT / NINETEEN_OF_TWENTY * at) ** 2
    off = NINETEEN_OF_TWENTY * sqrt(chance + spread)
    return Band(at, max(0.0, at - off), at + off)


def forecast(gives: Band, takes: Band, night_h: float) -> Forecast:
    """Raises ValueError for a night of no hours."""
    if night_h <= 0:
        raise ValueError(f"a night of {night_h} h; allowed: more than 0")
    return Forecast(gives, takes, night_h, sureness(gives, takes))


def sureness(gives: Band, takes: Band) -> float:
    """Chance that the one exceeds the other, 0 to 1."""
    off = sqrt(gives.sigma**2 + takes.sigma**2)
    if off == 0:
        return 1.0 if gives.at >= takes.at else 0.0
    return NormalDist(takes.at, off).cdf(gives.at)


def lasting_cooldown_s(
    sure_at: Callable[[float], float], now_s: float, wanted: float = 0.9
) -> int | None:
    """The shortest cooldown in whole seconds, from now's, that is sure enough; None if none is."""
    low, high = int(now_s), COOLDOWN_MOST_S
    if low > high or sure_at(high) < wanted:
        return None
    return low + bisect_left(range(low, high), True, key=lambda s: sure_at(s) >= wanted)


def _mean(stretches: tuple[Stretch, ...], idle_ma: float, groups_per_hour: float) -> float:
    return sum(
        each.hours
        * (
            idle_ma
            + sum(turn.starts_per_hour(groups_per_hour) * turn.mean_mah() for turn in each.turns)
        )
        for each in stretches
    )


def _variance(stretches: tuple[Stretch, ...], groups_per_hour: float) -> float:
    """Starts taken as a Poisson stream, which a cooldown only makes steadier."""
    return sum(
        each.hours * turn.starts_per_hour(groups_per_hour) * turn.mean_square_mah()
        for each in stretches
        for turn in each.turns
    )
