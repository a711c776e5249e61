"""Goal: a pack's figures carry their doubt, and nothing is guessed that volts cannot tell.

Method: chemistries side by side; temperatures and currents swept.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.workshop.band import Band
from haunt.workshop.capacity import (
    alkaline_share,
    cold_share,
    peukert_exponent,
    peukert_hours,
    sag_factor,
)
from haunt.workshop.pack import CHEMISTRIES, charge_band, charge_percent, open_circuit_mv
from haunt.workshop.sag import measured_ohm, sag_v, typical_ohm


@pytest.mark.parametrize("chemistry", ["nimh", "alkaline"])
def test_what_volts_cannot_tell_is_not_guessed(chemistry: str) -> None:
    assert charge_percent(chemistry, 6, 7200) is None
    assert charge_band(chemistry, 6, 7200) is None
    assert open_circuit_mv(chemistry, 6, 50) is None


def test_charge_is_held_within_its_scale() -> None:
    assert charge_percent("lipo", 1, 5000) == 100
    assert charge_percent("lipo", 1, 1000) == 0
    full = charge_band("lipo", 1, 5000)
    assert full == Band(100, 90, 100)


def test_iron_phosphate_is_told_as_a_wide_band_where_its_curve_is_flat() -> None:
    flat, cobalt = charge_band("lfp", 4, 4 * 3268), charge_band("lipo", 4, 4 * 3812)
    assert flat is not None
    assert cobalt is not None
    assert flat.high - flat.low >= 40
    assert cobalt.high - cobalt.low == 20


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_cold_never_adds_and_warmth_takes_nothing(chemistry: str) -> None:
    shares = [cold_share(chemistry, celsius).at for celsius in range(-10, 41)]
    assert shares == sorted(shares)
    assert shares[-1] == 1
    assert cold_share(chemistry, 30).low == cold_share(chemistry, 30).high


def test_sag_doubles_at_freezing_and_not_in_a_warm_room() -> None:
    assert (sag_factor(20).at, sag_factor(0).at) == (1, 2)


def test_an_alkaline_cell_gives_half_at_half_an_ampere() -> None:
    assert alkaline_share(24, 3000).at == 1
    assert alkaline_share(500, 3000).at == pytest.approx(0.54, abs=0.02)
    shares = [alkaline_share(ma, 3000).at for ma in range(0, 1080, 20)]
    assert shares == sorted(shares, reverse=True)


@given(st.floats(1.0, 1.6), st.floats(1, 200), st.floats(0.5, 50), st.floats(0.5, 50))
def test_two_discharges_give_back_the_exponent_they_came_from(
    exponent: float, capacity_ah: float, one_a: float, other_a: float
) -> None:
    if abs(one_a - other_a) < 0.1:
        other_a = one_a + 1
    hours = (
        peukert_hours(capacity_ah, 20, one_a, exponent),
        peukert_hours(capacity_ah, 20, other_a, exponent),
    )
    assert peukert_exponent(hours, (one_a, other_a)) == pytest.approx(exponent, rel=1e-6)


def test_a_typical_resistance_falls_with_size_and_knows_its_doubt() -> None:
    small, large = typical_ohm("lipo", 2, 1, 2500), typical_ohm("lipo", 2, 1, 5000)
    assert small.at == pytest.approx(2 * large.at)
    assert small.high == pytest.approx(4 * small.low)
    assert typical_ohm("lipo", 2, 2, 2500).at == pytest.approx(large.at)


def test_a_measured_resistance_foretells_the_reading_it_came_from() -> None:
    ohm = measured_ohm(7.8, 7.5, 3)
    assert 7.8 - sag_v(Band.exact(ohm), 3).at == pytest.approx(7.5)
