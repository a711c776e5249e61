"""A house circuit under its loads: breaker and ground-fault device. Watts, volts, milliamperes.

Local codes and licensed people decide; these are warnings, not permissions. A value
out of range raises ValueError.
"""

from haunt.workshop.band import Band

BREAKER_SHARE = 0.8
"""A load of hours takes at most this much of its breaker: common practice."""
ADAPTER_LEAKAGE_MA = Band(0.25, 0.1, 0.5)
"""Of one power adapter, from memory."""
ADAPTER_EFFICIENCY = 0.85
"""From memory."""


def load_a(watts: float, volts: float) -> float:
    """I = P / U, taken as purely resistive."""
    if watts < 0 or volts <= 0:
        raise ValueError(f"{watts} W at {volts} V; allowed: 0 and more, more than 0")
    return watts / volts


def mains_w(output_w: float) -> float:
    """What an adapter takes from the wall for what it gives."""
    if output_w < 0:
        raise ValueError(f"{output_w} W; allowed: 0 and more")
    return output_w / ADAPTER_EFFICIENCY


def leakage_ma(adapters: int) -> Band:
    """What adapters leak to earth together, as a ground-fault device sees it."""
    if adapters < 0:
        raise ValueError(f"{adapters} adapters; allowed: 0 and more")
    return ADAPTER_LEAKAGE_MA.scaled(adapters)


def leakage_limit_ma(trips_at_ma: float) -> float:
    """Where to warn: 2.5 mA for a device of 4 to 6 mA, 9 mA for 30 mA (from memory)."""
    if not 4 <= trips_at_ma <= 500:
        raise ValueError(f"trips at {trips_at_ma} mA; allowed: 4 to 500 mA")
    return 2.5 if trips_at_ma <= 6 else 0.3 * trips_at_ma
