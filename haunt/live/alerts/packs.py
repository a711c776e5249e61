"""What a pack's voltage can be, found from the sum that turns volts into charge."""

from bisect import bisect_left
from collections.abc import Callable
from typing import Final, NamedTuple

from haunt.live.ports import ChargeOf

LOW_SHARE, HIGH_SHARE = 0.6, 1.15
"""A cell is damaged well below empty, and on a charger a lead-acid battery reads 15 % above full
(14.4 V for 12.6 V, common practice, no source); what lies beyond is the measurement, not the pack.
"""
ANY_LEAST_MV, ANY_MOST_MV = 800, 60_000
"""Where the chemistry tells nothing: no board runs from less than one flat nickel cell, and above
60 V a pack would be beyond extra-low voltage (from memory of IEC 61140), which no prop here is.
"""
MV_MAX: Final = 100_000


class Limits(NamedTuple):
    low_mv: int
    high_mv: int


ANY: Final = Limits(ANY_LEAST_MV, ANY_MOST_MV)


def limits_of(charge_of: ChargeOf, board: str) -> Limits:
    """Return the widest readings that this board's pack can give.

    The running night knows a pack only by its charge at a voltage, which never falls as the voltage
    rises: so its two ends are found by halving.
    """
    if charge_of(board, 0) != 0 or charge_of(board, MV_MAX) != 100:
        return ANY
    empty_mv = _first(lambda mv: (charge_of(board, mv) or 0) > 0)
    full_mv = _first(lambda mv: (charge_of(board, mv) or 0) >= 100)
    return Limits(round(empty_mv * LOW_SHARE), round(full_mv * HIGH_SHARE))


def _first(holds: Callable[[int], bool]) -> int:
    return 1 + bisect_left(range(1, MV_MAX), True, key=holds)
