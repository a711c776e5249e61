"""Goal: levels, flashes, duty and walking hold at their edges, exactly where they are whole.

Method: hand-worked edges, and a plain search beside each clever one.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.workshop.duty import cyclic_share, least_rest_s
from haunt.workshop.flash import onsets_most, together_most
from haunt.workshop.sound import (
    POWER_SCALE,
    coherent_sum_of,
    hearing_minutes,
    level_at,
    load_ohm,
    outdoors,
    power_into_w,
    power_of,
    speaker_level,
    sum_of,
)
from haunt.workshop.walking import delay_band_s


def test_nearer_than_a_metre_counts_as_a_metre() -> None:
    assert level_at(80, 0.1) == 80


def test_levels_add_as_whole_powers_just_as_in_decibels() -> None:
    whole = sum(power_of(level) for level in (60, 60)) / POWER_SCALE
    assert power_of(sum_of([60, 60])) / POWER_SCALE == pytest.approx(whole, rel=1e-4)


def test_a_level_outdoors_is_a_whole_number_with_six_decibels_either_way() -> None:
    found = outdoors(58.6)
    assert (found.at, found.low, found.high) == (59, 53, 65)


def test_two_drivers_of_five_watts_and_eight_ohms_on_an_amplifier_for_four() -> None:
    # Arithmetic: in parallel 4 ohm, 10 W in all, 5 W each; in series 16 ohm, a quarter of that.
    parallel, series = load_ohm(2, 8, "parallel"), load_ohm(2, 8, "series")
    assert power_into_w(10, 4, parallel) / 2 == 5
    assert power_into_w(10, 4, series) / 2 == 1.25
    level = speaker_level(86, 5, 2)
    assert level.at == pytest.approx(96, abs=0.05)
    assert level.high == pytest.approx(coherent_sum_of([92.99, 92.99]) + 3, abs=0.05)


def test_three_decibels_halve_the_time() -> None:
    assert hearing_minutes(88) == pytest.approx(hearing_minutes(85) / 2)


def test_a_train_of_three_a_second_is_three_in_any_half_open_second() -> None:
    assert onsets_most(3000) == 3
    assert onsets_most(3001) == 4
    assert onsets_most(0) == 0


@given(st.integers(1, 9000), st.integers(0, 999))
def test_a_steady_train_never_begins_more_often_than_is_said(rate_mhz: int, offset: int) -> None:
    # Exact: onsets in microseconds, windows that begin at an onset are the fullest.
    period_us = 1_000_000_000 // rate_mhz + (1_000_000_000 % rate_mhz > 0)
    onsets = [offset + n * period_us for n in range(12)]
    fullest = max(sum(at <= o < at + 1_000_000 for o in onsets) for at in onsets)
    assert fullest <= onsets_most(rate_mhz)


def test_two_trains_that_nobody_keeps_in_step_may_coincide() -> None:
    assert together_most([2000, 2000]) == 4
    assert together_most([1500, 1500]) == 4, "each alone can begin twice in a second"


@given(st.floats(1, 600), st.floats(0.05, 1))
def test_the_rest_that_is_asked_for_gives_the_share_that_was_allowed(
    on_s: float, share: float
) -> None:
    assert cyclic_share(on_s, least_rest_s(on_s, share)) == pytest.approx(share)


def test_a_walk_is_told_from_the_quick_to_the_slow() -> None:
    band = delay_band_s(5, 0.8)
    assert [band.low, band.at, band.high] == pytest.approx([4.17, 6.25, 10], abs=0.01)
    assert delay_band_s(5, 3).low == delay_band_s(5, 3).at, "a show may be quicker than the band"
