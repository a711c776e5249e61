"""What a pack's inner resistance takes away under load. Ohms, amperes, volts.

A value out of range raises ValueError.
"""

from haunt.workshop.band import Band
from haunt.workshop.pack import canonical

# Milliohms of one cell times its ampere hours, from memory: a cell twice the size has half.
_MOHM_AH = {
    "lco": 50.0,
    "nmc": 100.0,
    "nca": 100.0,
    "lfp": 40.0,
    "lead-acid": 35.0,
    "nimh": 60.0,
    "alkaline": 500.0,
}


def typical_ohm(chemistry: str, series: int, parallel: int, cell_mah: float) -> Band:
    """Resistance of a pack whose own was not measured: within a factor of two, from memory."""
    if min(series, parallel) < 1 or cell_mah <= 0:
        raise ValueError(
            f"{series} by {parallel} cells of {cell_mah} mAh; allowed: 1 and more, more than 0"
        )
    at = _MOHM_AH[canonical(chemistry)] / cell_mah * series / parallel
    return Band(at, at / 2, at * 2)


def measured_ohm(rest_v: float, loaded_v: float, current_a: float) -> float:
    """Resistance from two readings, at rest and under a known current: (U0 - U1) / I."""
    if current_a <= 0 or loaded_v > rest_v:
        raise ValueError(
            f"{rest_v} V, then {loaded_v} V at {current_a} A; allowed: a current, and less volts"
        )
    return (rest_v - loaded_v) / current_a


def sag_v(ohm: Band, current_a: float) -> Band:
    """U = R I: by how much a pack sinks below its voltage at rest."""
    if current_a < 0:
        raise ValueError(f"{current_a} A; allowed: 0 and more")
    return ohm.scaled(current_a)
