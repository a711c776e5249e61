"""Levels in the open: divergence and incoherent sums. Fractions of a dB mean nothing outdoors."""

from math import log10

POWER_SCALE = 1000
"""Sound power relative to 0 dBA times this, as a whole number: sums stay exact."""


def level_at(level_1m_dba: float, distance_m: float) -> float:
    """Level in dBA at a distance, from the level at 1 m; nearer than 1 m counts as 1 m.

    ISO 9613-2:1996 7.1, geometrical divergence only: no ground, no screens, no air absorption.
    """
    return level_1m_dba - 20 * log10(max(1.0, distance_m))


def power_of(level_dba: float) -> int:
    return round(POWER_SCALE * 10 ** (level_dba / 10))


def sum_of(levels_dba: list[float]) -> float:
    """Incoherent sum in dBA: 10 lg of the summed powers."""
    return 10 * log10(sum(10 ** (level / 10) for level in levels_dba))
