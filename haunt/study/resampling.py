"""How sure a gain is: half hours, or whole nights, drawn again with replacement (bootstrap).

Few blocks know little of their own spread: the range is widened as Student's t is over the normal.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from haunt.study.chance import Chance

RESAMPLES = 1000
NIGHTS_ENOUGH = 4
"""From so many nights on a night is the block: hours of one evening know of each other."""
TAIL = 0.05
NORMAL = 1.6449
"""The normal's point with `TAIL` beyond it."""


@dataclass(frozen=True, slots=True)
class Range:
    """A sum with the range that 90 % of resampled nights lie in. `blocks` it was drawn from."""

    at: int
    low: float
    high: float
    blocks: int
    sure: float

    @classmethod
    def none(cls) -> "Range":
        return cls(0, 0.0, 0.0, 0, 0.0)


class Resampler:
    """Draws the same blocks for every setting that is compared, so that their ranges can be."""

    def __init__(self, nights: Sequence[int], seed: int) -> None:
        """`nights` is how many half hours each night has."""
        self._nights = tuple(nights)
        self.by_night = len(self._nights) >= NIGHTS_ENOUGH
        self.blocks = len(self._nights) if self.by_night else sum(self._nights)
        chance = Chance(seed, "bootstrap")
        count = self.blocks if self.blocks > 1 else 0
        self._drawn = [
            [chance.below(self.blocks) for _ in range(count)]
            for _ in range(RESAMPLES if count else 0)
        ]

    def range(self, gains: Sequence[Sequence[int]], least: float = 1) -> Range:
        """Add up gains, given night by night and half hour by half hour; `sure` of `least`."""
        assert tuple(len(each) for each in gains) == self._nights, "gains of other nights"
        blocks = (
            [sum(each) for each in gains]
            if self.by_night
            else [gain for night in gains for gain in night]
        )
        at = sum(blocks)
        if not self._drawn:
            return Range(at, float(at), float(at), len(blocks), 0.0)
        wide = _widening(len(blocks))
        sums = sorted(at + wide * (sum(blocks[n] for n in drawn) - at) for drawn in self._drawn)
        cut = int(TAIL * len(sums))
        sure = sum(1 for each in sums if each >= least) / len(sums)
        return Range(at, sums[cut], sums[-1 - cut], len(blocks), sure)


def _widening(blocks: int) -> float:
    """Student's t over the normal (Cornish and Fisher), and n in place of n - 1."""
    free, z = blocks - 1, NORMAL
    t = z + (z**3 + z) / (4 * free) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * free**2)
    return t / z * sqrt(blocks / free)
