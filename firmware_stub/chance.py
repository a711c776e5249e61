"""Draws numbers from a seed; it must never ask the machine, so that a run can be repeated."""


class Chance:
    """Good enough to keep boards out of step and candles from looking alike, and no more."""

    def __init__(self, seed):
        self._state = seed & 0xFFFFFFFF

    def below(self, bound):
        """0 to bound - 1; 0 where there is no room."""
        self._state = (self._state * 1664525 + 1013904223) & 0xFFFFFFFF
        return (self._state >> 8) % max(1, bound)

    def between(self, span):
        """From the first to the second, both included."""
        return span[0] + self.below(span[1] - span[0] + 1)
