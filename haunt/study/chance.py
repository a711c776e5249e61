"""Seeded chance for the simulated side: a stream of draws that depends on its seed alone."""

from math import exp, log

from haunt.core.dice import draw

_SIDES = 1 << 53


class Chance:
    """Draws by name and count, so one stream never disturbs another."""

    def __init__(self, seed: int, name: str) -> None:
        self._seed, self._name, self._count = seed, name, 0

    def share(self) -> float:
        """Uniform in [0, 1)."""
        self._count += 1
        return draw(self._seed, f"{self._name} {self._count}", _SIDES) / _SIDES

    def below(self, sides: int) -> int:
        self._count += 1
        return draw(self._seed, f"{self._name} {self._count}", sides)

    def between(self, low: int, high: int) -> int:
        return low + self.below(high - low + 1)

    def happens(self, share: float) -> bool:
        return share > 0 and self.share() < share

    def exponential(self, mean: float) -> float:
        """Waiting time of a Poisson process with this mean gap, in its unit."""
        return -mean * log(1.0 - self.share())

    def poisson(self, mean: float) -> int:
        """Count of a Poisson variable by multiplication; for means below about 30."""
        limit, product, count = exp(-mean), self.share(), 0
        while product > limit:
            product *= self.share()
            count += 1
        return count

    def hex(self, digits: int) -> str:
        return f"{self.below(16**digits):0{digits}x}"
