"""What a pack can give on the night: by rate, by cold, by age. Milliampere hours, hours, Celsius.

A rated capacity is meaningless without the hours it was rated at; nothing here guesses them.
A value out of range raises ValueError, which says what is allowed.
"""

from math import log

from haunt.workshop.band import Band
from haunt.workshop.curve import on_line
from haunt.workshop.pack import canonical

COLDEST_C, WARMEST_C = -10.0, 40.0
_ROOM_C = 20.0

# Share of the capacity at room temperature that is left at 0 C, from memory (common practice).
_AT_0_C = {"lco": 0.8, "nmc": 0.8, "nca": 0.8, "lfp": 0.8, "nimh": 0.8, "alkaline": 0.5}
# Lead-acid, discharges of more than an hour: a battery maker's table of capacity by temperature.
_LEAD_BY_C = ((0.0, 0.84), (5.0, 0.88), (10.0, 0.90), (15.0, 0.94), (20.0, 0.99), (25.0, 1.0))
_COLD_OFF = 0.15  # points either way, common practice, no source

# An unmeasured pack: printed figures are those of a new one. Common practice, no source.
UNMEASURED = Band(0.9, 0.75, 1.0)
MEASURED = Band(1.0, 0.95, 1.0)

# Alkaline AA to 0.8 V at 21 C, mean of four makers' data sheets: mA, mAh.
_ALKALINE = ((25.0, 3031.0), (100.0, 2662.0), (500.0, 1631.0), (1000.0, 1162.0))
_ALKALINE_OFF = 0.2
_ALKALINE_MOST_MA = 1100.0  # the makers' cells differ in size, not in shape

FLOODED_EXPONENT, SEALED_EXPONENT = 1.25, 1.11
"""Peukert's exponent for flooded, and for gel and AGM (defaults of a battery monitor's manual)."""


def peukert_hours(capacity_ah: float, rate_h: float, current_a: float, exponent: float) -> float:
    """Hours at a constant current: H (C / (I H))^k, for a capacity rated at the H-hour rate.

    Lead-acid; the exponent is 1 to 1.6 (printed range). Raises ValueError outside, and for a
    capacity without its hour rate, which several printed examples get wrong.
    """
    if capacity_ah <= 0 or rate_h <= 0 or current_a <= 0:
        raise ValueError(
            f"{capacity_ah} Ah at the {rate_h} h rate, {current_a} A; allowed: each more than 0"
        )
    if not 1 <= exponent <= 1.6:
        raise ValueError(f"exponent {exponent}; allowed: 1 to 1.6")
    return float(rate_h * (capacity_ah / (current_a * rate_h)) ** exponent)


def peukert_exponent(hours: tuple[float, float], currents_a: tuple[float, float]) -> float:
    """The exponent from two discharges: (log t2 - log t1) / (log I1 - log I2)."""
    if min(*hours, *currents_a) <= 0 or currents_a[0] == currents_a[1]:
        raise ValueError(f"{hours} h at {currents_a} A; allowed: two different positive currents")
    return (log(hours[1]) - log(hours[0])) / (log(currents_a[0]) - log(currents_a[1]))


def cold_share(chemistry: str, celsius: float) -> Band:
    """Share of the room-temperature capacity that a pack at this temperature gives, 0 to 1.

    Linear from 20 C to the figure at 0 C; lead-acid by a maker's table. -10 to 40 C.
    """
    name = canonical(chemistry)
    _allowed_c(celsius)
    if name == "lead-acid":
        at = min(1.0, on_line(_LEAD_BY_C, celsius))
    else:
        lost = (1 - _AT_0_C[name]) * (_ROOM_C - celsius) / _ROOM_C
        at = min(1.0, 1.0 - lost)
    off = _COLD_OFF * min(1.0, max(0.0, (_ROOM_C - celsius) / _ROOM_C))
    return Band(at, max(0.0, at - off), min(1.0, at + off))


def sag_factor(celsius: float) -> Band:
    """How many times the inner resistance of room temperature: 2 at 0 C (from memory)."""
    _allowed_c(celsius)
    more = max(0.0, (_ROOM_C - celsius) / _ROOM_C)
    return Band(1 + more, 1 + more / 2, 1 + 1.5 * more)


def alkaline_share(current_ma: float, capacity_mah: float) -> Band:
    """Share of a cell's light-load capacity that is left at a current; by log of the current.

    From 0.8 % to 36 % of the capacity an hour, the range of the data sheets; less is taken as
    the least, more is refused.
    """
    if current_ma < 0 or capacity_mah <= 0:
        raise ValueError(f"{current_ma} mA from {capacity_mah} mAh; allowed: 0 and more, above 0")
    scaled_ma = current_ma / capacity_mah * _ALKALINE[0][1]
    if scaled_ma > _ALKALINE_MOST_MA:
        most = capacity_mah * _ALKALINE_MOST_MA / _ALKALINE[0][1]
        raise ValueError(f"{current_ma:g} mA a cell; allowed: up to {most:.0f} mA")
    if scaled_ma <= _ALKALINE[0][0]:
        return Band.within(1.0, _ALKALINE_OFF)
    left_mah = on_line([(log(ma), mah) for ma, mah in _ALKALINE], log(scaled_ma))
    return Band.within(left_mah / _ALKALINE[0][1], _ALKALINE_OFF)


def _allowed_c(celsius: float) -> None:
    if not COLDEST_C <= celsius <= WARMEST_C:
        raise ValueError(f"{celsius:g} C; allowed: {COLDEST_C:g} to {WARMEST_C:g} C")
