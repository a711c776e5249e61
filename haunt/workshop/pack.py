"""Charge from a pack's voltage at rest and back, by chemistry. Good to some ten points.

Nickel and alkaline cells tell nothing by voltage: their charge is counted, not guessed. The iron
phosphate's curve is flat: there only the band of `charge_band` is honest. What is
no pack raises ValueError.
"""

from typing import NamedTuple

from haunt.workshop.band import Band
from haunt.workshop.curve import Points, on_line

_STEP = 5

# Open-circuit mV of one cell at 0, 5 ... 100 %, computed with pybamm 26.10.1.1 (BSD-3) from its
# parameter sets Ai2020 (LCO pouch), Chen2020 (NMC), NCA_Kim2011, Prada2013 (LFP).
# fmt: off
_LITHIUM = {
    "lco": (
        3000, 3542, 3640, 3665, 3695, 3717, 3733, 3748, 3762, 3776, 3792,
        3812, 3836, 3868, 3909, 3952, 3994, 4041, 4088, 4138, 4200,
    ),
    "nmc": (
        2500, 3109, 3296, 3434, 3485, 3529, 3581, 3629, 3667, 3705, 3751,
        3798, 3841, 3890, 3948, 3994, 4042, 4081, 4097, 4124, 4200,
    ),
    "nca": (
        2700, 3194, 3247, 3310, 3372, 3433, 3492, 3547, 3598, 3643, 3685,
        3725, 3768, 3816, 3874, 3930, 3980, 4029, 4080, 4135, 4200,
    ),
    "lfp": (
        2000, 2785, 2978, 3108, 3168, 3186, 3206, 3232, 3252, 3262, 3266,
        3268, 3269, 3270, 3274, 3293, 3310, 3313, 3314, 3316, 3600,
    ),
}
# fmt: on
_SAME = {"lipo": "lco", "li-ion": "nmc", "lifepo4": "lfp"}

# Lead-acid at rest, mV of a 12 V battery by percent: the common rule of flooded types; printed
# tables differ by up to 0.5 V at 25 %.
_LEAD = ((0, 11_600), (25, 12_000), (50, 12_200), (75, 12_400), (100, 12_600))


class CellVolts(NamedTuple):
    """Volts of one cell: drained under load, nominal, and fresh from the charger."""

    empty: float
    nominal: float
    full: float


# Lithium: empty is common practice under load, no source; full is the tables' 100 %.
# Lead-acid per 2 V cell: 10.5 V empty at the 20 h load (battery monitor manual), 12.8-13.2 V full
# (vehicle owner's manual). NiMH: 1.0 V and 1.45 V (button cell handbook). Alkaline: 0.8, 1.6 V.
_CELLS = {
    "lco": CellVolts(3.0, 3.7, 4.2),
    "nmc": CellVolts(3.0, 3.6, 4.2),
    "nca": CellVolts(3.0, 3.6, 4.2),
    "lfp": CellVolts(2.5, 3.2, 3.6),
    "lead-acid": CellVolts(1.75, 2.0, 2.2),
    "nimh": CellVolts(1.0, 1.2, 1.45),
    "alkaline": CellVolts(0.8, 1.2, 1.6),
}
CHEMISTRIES = (*_CELLS, *_SAME)
SPELT = {
    "lipo": "LiPo",
    "li-ion": "Li-ion",
    "lco": "LiCoO2",
    "nmc": "NMC",
    "nca": "NCA",
    "lifepo4": "LiFePO4",
    "lfp": "LiFePO4",
    "nimh": "NiMH",
    "alkaline": "alkaline",
    "lead-acid": "lead-acid",
}
"""As people write them."""

# Real cells of one chemistry differ by 10 points of charge. Printed tables of lead-acid batteries,
# flooded and AGM, give up to 25 more or less at one voltage. On the flat curve of LFP the 10 mV of
# a good voltmeter are the larger doubt.
_POINTS_OFF = {"lead-acid": 25}
_POINTS_OFF_ELSE = 10
_LFP_OFF_MV = 10


def canonical(chemistry: str) -> str:
    """Return the name under which a chemistry's figures stand; raise ValueError for others."""
    name = _SAME.get(chemistry, chemistry)
    if name not in _CELLS:
        raise ValueError(f"chemistry {chemistry!r}; allowed: {', '.join(CHEMISTRIES)}")
    return name


def cell_volts(chemistry: str) -> CellVolts:
    return _CELLS[canonical(chemistry)]


def charge_percent(chemistry: str, series: int, rest_mv: int) -> int | None:
    """Charge in percent from the whole pack's rest voltage in mV; None where it cannot be told.

    Interpolated linearly; clamped to 0..100. Raises ValueError where `series` is not positive.
    """
    points = _points(chemistry, series)
    return None if points is None else _percent(points, rest_mv / series)


def charge_band(chemistry: str, series: int, rest_mv: int) -> Band | None:
    """Charge in percent with what real cells and meters differ by; None where it cannot be told."""
    points = _points(chemistry, series)
    if points is None:
        return None
    mv = rest_mv / series
    at = _percent(points, mv)
    off = _POINTS_OFF.get(canonical(chemistry), _POINTS_OFF_ELSE)
    low, high = at - off, at + off
    if canonical(chemistry) == "lfp":
        low = min(low, _percent(points, mv - _LFP_OFF_MV) - off)
        high = max(high, _percent(points, mv + _LFP_OFF_MV) + off)
    return Band(at, max(0, low), min(100, high))


def open_circuit_mv(chemistry: str, series: int, percent: float) -> int | None:
    """Rest voltage of the whole pack in mV at a charge of 0..100 %; None where none is known."""
    if not 0 <= percent <= 100:
        raise ValueError(f"charge of {percent} %; allowed: 0 to 100")
    points = _points(chemistry, series)
    if points is None:
        return None
    return round(on_line(points, percent) * series)


def _points(chemistry: str, series: int) -> Points | None:
    """Return (percent, mV of one cell); `series` counts 2 V cells of lead-acid."""
    if series <= 0:
        raise ValueError(f"{series} cells in series; allowed: 1 and more")
    name = _SAME.get(chemistry, chemistry)
    if name in _LITHIUM:
        return [(float(n * _STEP), float(mv)) for n, mv in enumerate(_LITHIUM[name])]
    if name == "lead-acid":
        return [(float(percent), mv / 6) for percent, mv in _LEAD]
    return None


def _percent(points: Points, mv: float) -> int:
    by_mv = [(volts, percent) for percent, volts in points]
    return min(100, max(0, round(on_line(by_mv, mv))))
