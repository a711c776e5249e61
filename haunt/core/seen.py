"""Which sequence numbers have been seen, in bounded memory."""

from dataclasses import dataclass

WINDOW = 1024
FULL = (1 << WINDOW) - 1


@dataclass(slots=True)
class SeqWindow:
    """Remembers the last 1,024 numbers of a boot up to `high`; anything older counts as seen.

    Bit n of `gaps` is set where the number `high - n` has not come. Most come in order, so it is
    nothing at all, and costs nothing to keep.
    """

    boot: str = ""
    high: int = 0
    gaps: int = 0

    def add(self, seq: int) -> bool:
        """Return True the first time a number comes."""
        ahead = seq - self.high
        if ahead > 0:
            self.high = seq
            if ahead >= WINDOW:
                self.gaps = FULL - 1
            elif ahead > 1 or self.gaps:
                self.gaps = ((self.gaps << ahead) | ((1 << ahead) - 2)) & FULL
            return True
        if -ahead >= WINDOW:
            return False
        bit = 1 << -ahead
        if not self.gaps & bit:
            return False
        self.gaps ^= bit
        return True
