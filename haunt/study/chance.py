"""Seeded chance for the simulated side: a stream of draws that depends on its seed alone."""

from hashlib import shake_128
from math import exp, log
from struct import Struct

_BLOCK = Struct("<64Q")
_SIDES = 1 << 53
_SHIFT = 64 - 53


class Chance:
    """Draws by name and count, so one stream never disturbs another.

    A block of draws is SHAKE-128 (FIPS 202) of seed, name and the block's number: uniform to
    anyone who looks, the same on every machine, and one call for 64 draws.
    """

    __slots__ = ("_at", "_block", "_blocks", "_name")

    def __init__(self, seed: int, name: str) -> None:
        self._name, self._blocks, self._at = f"{seed} {name} ", 0, 64
        self._block: tuple[int, ...] = ()

    def bits(self) -> int:
        """Return 64 of them."""
        at = self._at
        if at == 64:
            name = self._name + str(self._blocks)
            self._block = _BLOCK.unpack(shake_128(name.encode()).digest(_BLOCK.size))
            self._blocks += 1
            at = 0
        self._at = at + 1
        return self._block[at]

    def share(self) -> float:
        """Uniform in [0, 1)."""
        return (self.bits() >> _SHIFT) / _SIDES

    def below(self, sides: int) -> int:
        return self.bits() % sides

    def between(self, low: int, high: int) -> int:
        return low + self.bits() % (high - low + 1)

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
