"""Goal: the sums agree with what others have published.

Method: each value beside its source and tolerance.
"""

from math import ceil

import pytest

from haunt.workshop.pack import charge_percent
from haunt.workshop.sound import POWER_SCALE, level_at, power_of, sum_of
from haunt.workshop.walking import delay_ms

FOOT_M = 0.3048


@pytest.mark.parametrize(
    ("feet", "feet_s", "printed_s"),
    # MUTCD 2003 and 2009 section 4E, worked for a 130 ft crossing with the button 60 ft back,
    # as recomputed in a public discussion of the change; whole seconds, rounded up: exact.
    [(130, 4.0, 33), (130, 3.5, 38), (190, 3.0, 64)],
)
def test_walking_times_are_those_of_the_crossing_manual(
    feet: int, feet_s: float, printed_s: int
) -> None:
    assert ceil(delay_ms(feet * FOOT_M, feet_s * FOOT_M) / 1000) == printed_s


def test_a_walking_speed_must_be_positive() -> None:
    with pytest.raises(ValueError, match="more than 0"):
        delay_ms(5, 0)


@pytest.mark.parametrize(
    ("distance_m", "adiv_db"),
    # ISO 9613-2:1996 7.1: Adiv = 20 lg d + 11; less the 11 dB of a sphere at 1 m. 0.02 dB.
    [(1, 11.0), (2, 17.02), (10, 31.0), (20, 37.02), (50, 44.98), (100, 51.0)],
)
def test_levels_fall_with_distance_as_the_standard_says(distance_m: float, adiv_db: float) -> None:
    assert level_at(80, distance_m) == pytest.approx(80 - (adiv_db - 11.0), abs=0.02)


def test_nearer_than_a_metre_counts_as_a_metre() -> None:
    assert level_at(80, 0.1) == 80


@pytest.mark.parametrize(
    ("levels", "printed"),
    # 60+60 = 63 (sengpielaudio); 62+73 = 73.3 (experts123); 80+85 = 86.2, 80+80 = 83
    # (slideplayer 522252). 0.05 dB. The longer digits are the library acoustics 0.2.6.
    [([60, 60], 63.0103), ([62, 73], 73.3320), ([80, 85], 86.1933), ([80, 80], 83.0103)],
)
def test_levels_add_as_published(levels: list[float], printed: float) -> None:
    assert sum_of(levels) == pytest.approx(printed, abs=1e-4)
    whole = sum(power_of(level) for level in levels) / POWER_SCALE
    assert power_of(printed) / POWER_SCALE == pytest.approx(whole, rel=1e-4)


@pytest.mark.parametrize(
    ("chemistry", "mv", "percent"),
    # Cell volts of pybamm 26.10.1.1: Ai2020, Chen2020, NCA_Kim2011 at these charges. 1 point.
    [("lipo", 3793, 50), ("lipo", 3695, 20), ("nmc", 3751, 50), ("nca", 3980, 80)],
)
def test_lithium_charge_is_read_from_the_table(chemistry: str, mv: int, percent: int) -> None:
    assert charge_percent(chemistry, 3, 3 * mv) == pytest.approx(percent, abs=1)


@pytest.mark.parametrize(
    ("volts", "low", "high"),
    # Generic flooded 12 V rule (list post): 12.6/12.4/12.2/12.0 V for 100/75/50/25 %; 15 points.
    [(12.6, 85, 100), (12.4, 60, 90), (12.2, 35, 65), (12.0, 10, 40)],
)
def test_lead_acid_follows_the_common_rule(volts: float, low: int, high: int) -> None:
    found = charge_percent("lead-acid", 6, round(volts * 1000))
    assert found is not None
    assert low <= found <= high


@pytest.mark.parametrize("chemistry", ["nimh", "alkaline"])
def test_what_volts_cannot_tell_is_not_guessed(chemistry: str) -> None:
    assert charge_percent(chemistry, 6, 7200) is None


def test_charge_is_held_within_its_scale() -> None:
    assert charge_percent("lipo", 1, 5000) == 100
    assert charge_percent("lipo", 1, 1000) == 0
