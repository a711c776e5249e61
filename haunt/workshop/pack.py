"""Charge from a pack's voltage at rest, by chemistry. Good to some ten points; a band for LFP.

Nickel and alkaline cells tell nothing by voltage: their charge is counted, not guessed.
"""

from bisect import bisect_right

_STEP = 5

# Open-circuit mV of one cell at 0, 5 ... 100 %, computed with pybamm 26.10.1.1 (BSD-3) from its
# parameter sets Ai2020 (LCO pouch), Chen2020 (NMC), NCA_Kim2011, Prada2013 (LFP).
_LITHIUM = {
    "lco": (
        3000,
        3542,
        3640,
        3665,
        3695,
        3717,
        3733,
        3748,
        3762,
        3776,
        3792,
        3812,
        3836,
        3868,
        3909,
        3952,
        3994,
        4041,
        4088,
        4138,
        4200,
    ),
    "nmc": (
        2500,
        3109,
        3296,
        3434,
        3485,
        3529,
        3581,
        3629,
        3667,
        3705,
        3751,
        3798,
        3841,
        3890,
        3948,
        3994,
        4042,
        4081,
        4097,
        4124,
        4200,
    ),
    "nca": (
        2700,
        3194,
        3247,
        3310,
        3372,
        3433,
        3492,
        3547,
        3598,
        3643,
        3685,
        3725,
        3768,
        3816,
        3874,
        3930,
        3980,
        4029,
        4080,
        4135,
        4200,
    ),
    "lfp": (
        2000,
        2785,
        2978,
        3108,
        3168,
        3186,
        3206,
        3232,
        3252,
        3262,
        3266,
        3268,
        3269,
        3270,
        3274,
        3293,
        3310,
        3313,
        3314,
        3316,
        3600,
    ),
}
_SAME = {"lipo": "lco", "li-ion": "nmc", "lifepo4": "lfp"}

# Lead-acid at rest, mV of a 12 V battery by percent: the common rule of flooded types; printed
# tables differ by up to 0.5 V at 25 %.
_LEAD = ((0, 11_600), (25, 12_000), (50, 12_200), (75, 12_400), (100, 12_600))


def charge_percent(chemistry: str, series: int, rest_mv: int) -> int | None:
    """Charge in percent from the whole pack's rest voltage in mV; None where it cannot be told.

    Interpolated linearly; clamped to 0..100. Raises ValueError where `series` is not positive.
    """
    if series <= 0:
        raise ValueError(f"{series} cells in series; allowed: 1 and more")
    name = _SAME.get(chemistry, chemistry)
    if name in _LITHIUM:
        points = [(n * _STEP, mv) for n, mv in enumerate(_LITHIUM[name])]
        return _interpolate(points, rest_mv / series)
    if name == "lead-acid":
        return _interpolate(list(_LEAD), rest_mv / series * 6)
    return None


def _interpolate(points: list[tuple[int, int]], mv: float) -> int:
    above = bisect_right([volts for _, volts in points], mv)
    if above == 0:
        return 0
    if above == len(points):
        return 100
    (low, low_mv), (high, high_mv) = points[above - 1], points[above]
    return round(low + (high - low) * (mv - low_mv) / (high_mv - low_mv))
