"""Goal: the power path from pack to motor comes out as on the bench, and errs on the safe side.

Method: facts of the trade (common practice, no source) and the parts' own figures.
"""

import pytest

from haunt.workshop.band import Band
from haunt.workshop.drivers import (
    DRIVERS,
    Driver,
    bridge_drop_v,
    bridge_rise_k,
    driver_of,
    highest_safe_v,
    motor_volts,
)
from haunt.workshop.regulators import (
    REGULATORS,
    Regulator,
    headroom_v,
    heat_w,
    rise_k,
    spare_ma,
    stalled_input_v,
)
from haunt.workshop.wire import gauge_mm2, largest_fuse_a, least_area_mm2, ohm_per_km
from tests.outside.registry import outside


def test_a_bipolar_bridge_drops_more_with_more_current_and_more_than_a_mosfet() -> None:
    bipolar = [bridge_drop_v(DRIVERS["l298"], tenths / 10).at for tenths in range(21)]
    assert bipolar == sorted(bipolar)
    assert bipolar[10] > 4 * bridge_drop_v(DRIVERS["drv8833"], 1).high


def test_two_cells_through_a_bipolar_bridge_leave_five_volts_and_a_mosfet_seven() -> None:
    pack = Band.exact(7.4)
    outside("workshop/7.4 V through a bipolar bridge leave").saw(
        motor_volts(pack, DRIVERS["l298"], 1).at
    )
    assert motor_volts(pack, DRIVERS["drv8833"], 1).at > 6.9
    assert motor_volts(Band.exact(1), DRIVERS["l298"], 1).at == 0


@pytest.mark.parametrize(
    ("operating_v", "limit_v", "safe_v"),
    [(None, 16, 13.6), (13.5, 15, 12.75), (10.8, 11.8, 10.03), (20, 35, 20), (None, None, None)],
)
def test_the_plan_stays_well_inside_a_printed_limit(
    operating_v: float | None, limit_v: float | None, safe_v: float | None
) -> None:
    found = highest_safe_v(operating_v, limit_v)
    assert found == (None if safe_v is None else pytest.approx(safe_v))


def test_a_carrier_that_failed_at_fifteen_volts_would_have_been_warned_of() -> None:
    # Sold for 6.5 to 16 V, failed at 15 V: common practice, no source.
    safe_v = highest_safe_v(None, 16)
    assert safe_v is not None
    outside("practice/carrier").agrees(wrong=int(safe_v >= 15))
    assert safe_v > 3 * 4.2, "three lithium cells are still planned with"


def test_names_of_drivers_are_found_in_usual_spellings() -> None:
    assert driver_of("L298N") is DRIVERS["l298"]
    assert driver_of(" TB6612 ") is DRIVERS["tb6612fng"]
    assert driver_of("h-bridge") is None


def test_a_driver_of_unknown_package_has_no_heat_and_one_that_rests_half_as_much() -> None:
    assert bridge_rise_k(Driver("x", ohm=Band.exact(1)), 1) is None
    whole, half = bridge_rise_k(DRIVERS["l298"], 1), bridge_rise_k(DRIVERS["l298"], 1, 0.5)
    assert whole is not None
    assert half is not None
    assert half.at == pytest.approx(whole.at / 2)


def test_a_linear_regulator_for_a_radio_board_at_twelve_volts_cannot_live_without_a_sink() -> None:
    rise = rise_k(REGULATORS["78m05"], 12, 300)
    assert rise is not None
    assert rise.at > 125


def test_a_switching_regulator_stays_cool_and_tells_its_doubt() -> None:
    buck = Regulator("buck", 5, linear=False, k_per_w=40)
    heat = heat_w(buck, 12, 300)
    assert 0 < heat.low < heat.at < heat.high < 2.1 / 2
    assert rise_k(Regulator("buck", 5, linear=False), 12, 300) is None


def test_headroom_is_told_only_where_the_dropout_is_known() -> None:
    assert headroom_v(Regulator("x", 5), Band.exact(7)) is None
    found = headroom_v(REGULATORS["78m05"], Band(7.4, 6.6, 8.4))
    assert found is not None
    assert found.low < 0 < found.at


def test_logic_on_the_motors_small_supply_sinks_and_on_the_pack_does_not() -> None:
    # Common practice, no source: a shared 5 V of 2 A restarts when a 2 A motor stalls.
    outside("practice/shared-supply").agrees(wrong=int(spare_ma(2000, 2000, 370) >= 0))
    logic_v = stalled_input_v(Band.exact(7.4), Band.exact(0.03), Band.exact(0.05), 2, 0.37)
    assert logic_v.at > 7.0
    weak_v = stalled_input_v(Band.exact(7.4), Band.exact(0.6), Band.exact(0.4), 4, 0.37)
    assert weak_v.at < 5


def test_thin_wire_takes_a_small_fuse_and_metric_wire_that_of_the_thinner_gauge() -> None:
    assert largest_fuse_a(gauge_mm2(22)) == 3
    assert largest_fuse_a(0.75) == largest_fuse_a(gauge_mm2(20))
    assert largest_fuse_a(2.5) == largest_fuse_a(gauge_mm2(14))


def test_the_copper_that_is_asked_for_drops_just_what_was_allowed() -> None:
    area_mm2 = least_area_mm2(12, 2.5, 1.2)
    assert 2 * 12 * ohm_per_km(area_mm2) / 1000 * 2.5 == pytest.approx(1.2)
