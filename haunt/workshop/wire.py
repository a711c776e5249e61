"""Copper wire: gauge, resistance, what it drops and what may protect it. Metres, mm2, ohms.

Local codes decide about mains; the fuse table here is for the low-voltage side of a prop. A
value out of range raises ValueError.
"""

from math import pi

COPPER_OHM_MM2_M = 0.017241
"""Annealed copper at 20 C (IACS)."""
COPPER_PER_K = 0.00393
COLDEST_C, WARMEST_C = -20.0, 90.0
GAUGES = range(31)

# Largest fuse by gauge: 10 to 18 by NEC 240.4(D) as printed by two trade sites; 20 to 26 are
# common practice, no source.
_FUSE_A = {
    10: 30.0,
    12: 20.0,
    14: 15.0,
    16: 10.0,
    18: 7.0,
    20: 5.0,
    22: 3.0,
    24: 2.0,
    26: 1.0,
}
CONTINUOUS_SHARE = 0.8
"""A continuous load takes at most this much of its fuse: common practice."""


def gauge_mm2(gauge: int) -> float:
    """Copper area of an AWG number: d = 0.127 mm * 92^((36 - n) / 39) (ASTM B258). 0 to 30."""
    if gauge not in GAUGES:
        raise ValueError(f"AWG {gauge}; allowed: 0 to 30")
    diameter_mm = 0.127 * 92 ** ((36 - gauge) / 39)
    return float(pi * diameter_mm**2 / 4)


def ohm_per_km(area_mm2: float, celsius: float = 20.0) -> float:
    """One conductor of copper; linear in temperature, -20 to 90 C."""
    if area_mm2 <= 0:
        raise ValueError(f"{area_mm2} mm2; allowed: more than 0")
    if not COLDEST_C <= celsius <= WARMEST_C:
        raise ValueError(f"{celsius:g} C; allowed: {COLDEST_C:g} to {WARMEST_C:g} C")
    return 1000 * COPPER_OHM_MM2_M / area_mm2 * (1 + COPPER_PER_K * (celsius - 20))


def run_ohm(length_m: float, area_mm2: float, celsius: float = 20.0) -> float:
    """Out and back: a run of 5 m has 10 m of copper."""
    if length_m < 0:
        raise ValueError(f"{length_m} m; allowed: 0 and more")
    return 2 * length_m * ohm_per_km(area_mm2, celsius) / 1000


def drop_v(length_m: float, area_mm2: float, current_a: float, celsius: float = 20.0) -> float:
    """U = R I over a run, out and back."""
    if current_a < 0:
        raise ValueError(f"{current_a} A; allowed: 0 and more")
    return run_ohm(length_m, area_mm2, celsius) * current_a


def largest_fuse_a(area_mm2: float) -> float:
    """The largest fuse for copper of this area; the next thinner gauge of the table decides."""
    fits = [gauge for gauge in _FUSE_A if gauge_mm2(gauge) <= area_mm2 * 1.005]
    if not fits:
        raise ValueError(f"{area_mm2:g} mm2; allowed: {gauge_mm2(26):.2f} mm2 (AWG 26) and more")
    return _FUSE_A[min(fits)]


def least_area_mm2(length_m: float, current_a: float, most_drop_v: float) -> float:
    """The copper that drops no more than this at 20 C, out and back."""
    if length_m < 0 or current_a < 0 or most_drop_v <= 0:
        raise ValueError(
            f"{length_m} m, {current_a} A, {most_drop_v} V; allowed: 0 and more, a drop above 0"
        )
    return 2 * length_m * current_a * COPPER_OHM_MM2_M / most_drop_v


def least_fuse_a(continuous_a: float) -> float:
    """The smallest fuse that carries a continuous load without tripping when warm."""
    if continuous_a < 0:
        raise ValueError(f"{continuous_a} A; allowed: 0 and more")
    return continuous_a / CONTINUOUS_SHARE
