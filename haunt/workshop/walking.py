"""How long people take from a sensor to a prop. A value out of range raises ValueError."""

from haunt.workshop.band import Band

DARK_M_S = (0.5, 1.2)
"""Families in the dark: common practice, no source. In daylight 0.9 to 1.4 is printed."""


def delay_ms(distance_m: float, speed_m_s: float) -> int:
    """Walking time in ms."""
    if speed_m_s <= 0:
        raise ValueError(f"walking speed {speed_m_s} m/s; allowed: more than 0")
    return round(distance_m / speed_m_s * 1000)


def delay_band_s(distance_m: float, speed_m_s: float) -> Band:
    """Walking time in seconds from the quick to the slow of those who walk in the dark."""
    if distance_m < 0:
        raise ValueError(f"{distance_m} m; allowed: 0 and more")
    at = delay_ms(distance_m, speed_m_s) / 1000
    slow, quick = DARK_M_S
    return Band(at, min(at, distance_m / quick), max(at, distance_m / slow))
