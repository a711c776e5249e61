"""Levels in the open and at the ear, from a speaker's data. Outdoors only whole dB mean a thing.

Divergence and incoherent sums only: no ground, no screens, no air absorption. A value out
of range raises ValueError.
"""

from math import log10

from haunt.workshop.band import Band

POWER_SCALE = 1000
"""Sound power relative to 0 dBA times this, as a whole number: sums stay exact."""
OUTDOORS_DB = 6.0
"""An estimate outdoors is a band this wide either way: common practice, no source."""
SMALL_SPEAKER_DB = 3.0
"""A small speaker's printed sensitivity, its box and A-weighting: common practice, no source."""
QUIETEST_DBA, LOUDEST_DBA = 80.0, 140.0


def level_at(level_1m_dba: float, distance_m: float) -> float:
    """Level in dBA at a distance, from the level at 1 m; nearer than 1 m counts as 1 m.

    ISO 9613-2:1996 7.1, geometrical divergence only: no ground, no screens, no air absorption.
    """
    return level_1m_dba - 20 * log10(max(1.0, distance_m))


def power_of(level_dba: float) -> int:
    """Sound power of a level, in thousandths of that of 0 dBA: whole, so that sums stay exact."""
    return round(POWER_SCALE * 10 ** (level_dba / 10))


def sum_of(levels_dba: list[float]) -> float:
    """Incoherent sum in dBA: 10 lg of the summed powers."""
    return 10 * log10(sum(10 ** (level / 10) for level in levels_dba))


def coherent_sum_of(levels_dba: list[float]) -> float:
    """The same clip in phase: 20 lg of the summed pressures; the most that can come of it."""
    return 20 * log10(sum(10 ** (level / 20) for level in levels_dba))


def outdoors(level_dba: float) -> Band:
    """A level estimated outdoors, in whole dB, with what ground, walls and weather may do."""
    at = round(level_dba)
    return Band(at, at - OUTDOORS_DB, at + OUTDOORS_DB)


def load_ohm(drivers: int, ohms: float, wiring: str) -> float:
    """What the amplifier sees: drivers of the same ohms in `series` or `parallel`."""
    if drivers < 1 or ohms <= 0:
        raise ValueError(f"{drivers} drivers of {ohms} ohm; allowed: 1 and more, more than 0")
    if wiring not in {"series", "parallel"}:
        raise ValueError(f"wired {wiring!r}; allowed: series, parallel")
    return ohms * drivers if wiring == "series" else ohms / drivers


def power_into_w(rated_w: float, rated_ohm: float, load: float) -> float:
    """What an amplifier rated into some ohms gives into more: its volts stay (U^2 / R).

    Into fewer ohms than rated it is overloaded: refused.
    """
    if rated_w <= 0 or rated_ohm <= 0 or load <= 0:
        raise ValueError(f"{rated_w} W, {rated_ohm} ohm, {load} ohm; allowed: more than 0")
    if load < rated_ohm:
        raise ValueError(f"{load:g} ohm; allowed: {rated_ohm:g} ohm and more")
    return rated_w * rated_ohm / load


def speaker_level(sensitivity_db: float, watts_each: float, drivers: int = 1) -> Band:
    """Level in dBA at 1 m: sensitivity (1 W, 1 m) + 10 lg P a driver, summed incoherently.

    At best the drivers add in phase. 60 to 120 dB of sensitivity, 0.01 W to 1 kW.
    """
    if not 60 <= sensitivity_db <= 120:
        raise ValueError(f"sensitivity {sensitivity_db} dB; allowed: 60 to 120 dB at 1 W, 1 m")
    if not 0.01 <= watts_each <= 1000 or drivers < 1:
        raise ValueError(f"{watts_each} W in {drivers} drivers; allowed: 0.01 W to 1 kW, 1 driver")
    each = [sensitivity_db + 10 * log10(watts_each)] * drivers
    at = sum_of(each)
    return Band(at, at - 2 * SMALL_SPEAKER_DB, coherent_sum_of(each) + SMALL_SPEAKER_DB)


def hearing_minutes(level_dba: float) -> float:
    """Minutes a day at a level (NIOSH REL: 85 dBA for 8 h, halved each 3 dB). 80 to 140 dBA."""
    if not QUIETEST_DBA <= level_dba <= LOUDEST_DBA:
        raise ValueError(f"{level_dba} dBA; allowed: {QUIETEST_DBA:g} to {LOUDEST_DBA:g} dBA")
    return 480 / 2 ** ((level_dba - 85) / 3)
