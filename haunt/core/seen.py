"""Which sequence numbers have been seen, in bounded memory."""

from dataclasses import dataclass

WINDOW = 1024
_FULL = (1 << WINDOW) - 1


@dataclass(slots=True)
class SeqWindow:
    """Remembers the last 1,024 numbers up to `high`; anything older counts as seen.

    Bit n of `mask` is the number `high - n`.
    """

    high: int = 0
    mask: int = 0

    def add(self, seq: int) -> bool:
        """Return True the first time a number comes."""
        ahead = seq - self.high
        if ahead > 0:
            self.mask = ((self.mask << ahead) | 1) & _FULL if ahead < WINDOW else 1
            self.high = seq
            return True
        if -ahead >= WINDOW:
            return False
        bit = 1 << -ahead
        if self.mask & bit:
            return False
        self.mask |= bit
        return True
