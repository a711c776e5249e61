"""How long people take from a sensor to a prop."""


def delay_ms(distance_m: float, speed_m_s: float) -> int:
    """Walking time in ms. Raises ValueError for a speed that is not positive."""
    if speed_m_s <= 0:
        raise ValueError(f"walking speed {speed_m_s} m/s; allowed: more than 0")
    return round(distance_m / speed_m_s * 1000)
