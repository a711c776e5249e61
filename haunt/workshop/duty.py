"""How long a motor may run: the S3 rating of its plate, as an on-share in ten minutes.

Ten minutes is the cycle where the plate says no other (IEC 60034-1, from memory).
Seconds, and shares of 1. A value out of range raises ValueError.
"""

from math import sqrt

WINDOW_S = 600.0


def cyclic_share(on_s: float, rest_s: float) -> float:
    """Cyclic duration factor N / (N + R), 0 to 1."""
    if on_s < 0 or rest_s < 0 or on_s + rest_s <= 0:
        raise ValueError(f"{on_s} s on, {rest_s} s off; allowed: 0 and more, some time in all")
    return on_s / (on_s + rest_s)


def least_rest_s(on_s: float, share: float) -> float:
    """The rest that a run needs: 10 minutes at 25 % need 30 minutes."""
    if on_s < 0 or not 0 < share <= 1:
        raise ValueError(f"{on_s} s at a share of {share}; allowed: 0 and more, above 0 to 1")
    return on_s * (1 - share) / share


def torque_factor(share: float) -> float:
    """How many times the continuous torque a motor gives at an on-share: 1 / sqrt(share)."""
    if not 0 < share <= 1:
        raise ValueError(f"a share of {share}; allowed: above 0 to 1")
    return 1 / sqrt(share)
