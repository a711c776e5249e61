"""Flashes seen from one spot: how many begin in the worst second. Whole thousandths of a hertz.

The limit is borrowed from screens and is conservative: what flashes in a garden is small, but
nobody can say how near a visitor stands. A negative rate raises ValueError.
"""

from collections.abc import Iterable

SCREEN_LIMIT = 3
"""WCAG 2.x success criterion 2.3.1: no more than three flashes in any one second."""
VENUE_LIMIT = 4
"""Strobes at four a second at most: a venue figure of the United Kingdom, by choice only."""


def onsets_most(rate_mhz: int) -> int:
    """Most onsets of a steady train in any half-open second: the rate, rounded up."""
    if rate_mhz < 0:
        raise ValueError(f"{rate_mhz} mHz; allowed: 0 and more")
    return -(-rate_mhz // 1000)


def together_most(rates_mhz: Iterable[int]) -> int:
    """Most onsets of trains that nobody keeps in step: each one's worst second may coincide."""
    return sum(onsets_most(each) for each in rates_mhz)
