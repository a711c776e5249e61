"""Goal: a formula refuses what it was not made for, and names what it allows.

Method: one call a limit, on the wrong side of it; and the nearest call on the right side.
"""

from collections.abc import Callable

import pytest

from haunt.workshop import (
    capacity,
    drivers,
    duty,
    flash,
    mains,
    pack,
    regulators,
    runtime,
    sag,
    sound,
    walking,
    wire,
)
from haunt.workshop.band import Band
from haunt.workshop.drivers import DRIVERS

ONE = Band.exact(1)
L298 = DRIVERS["l298"]
REFUSED: list[tuple[str, Callable[[], object]]] = [
    ("no cells", lambda: pack.charge_percent("lipo", 0, 3700)),
    ("a chemistry nobody knows", lambda: pack.canonical("moss")),
    ("charge beyond full", lambda: pack.open_circuit_mv("lipo", 1, 101)),
    ("a capacity without its hours", lambda: capacity.peukert_hours(100, 0, 5, 1.2)),
    ("no current", lambda: capacity.peukert_hours(100, 20, 0, 1.2)),
    ("an exponent below one", lambda: capacity.peukert_hours(100, 20, 5, 0.9)),
    ("an exponent beyond print", lambda: capacity.peukert_hours(100, 20, 5, 1.7)),
    ("one current twice", lambda: capacity.peukert_exponent((20, 10), (5, 5))),
    ("deep frost", lambda: capacity.cold_share("lipo", -11)),
    ("a warm oven", lambda: capacity.sag_factor(41)),
    ("a short on an alkaline", lambda: capacity.alkaline_share(3000, 2800)),
    ("no size of cell", lambda: sag.typical_ohm("lipo", 2, 1, 0)),
    ("volts that rise under load", lambda: sag.measured_ohm(12.0, 12.6, 3)),
    ("current backwards", lambda: sag.sag_v(ONE, -1)),
    ("a gauge not drawn", lambda: wire.gauge_mm2(31)),
    ("wire without copper", lambda: wire.ohm_per_km(0)),
    ("wire aglow", lambda: wire.ohm_per_km(1, 91)),
    ("a hair as wire", lambda: wire.largest_fuse_a(0.05)),
    ("length below nothing", lambda: wire.run_ohm(-1, 1)),
    ("a drop of nothing", lambda: wire.least_area_mm2(5, 2, 0)),
    ("negative drop current", lambda: wire.drop_v(5, 1, -1)),
    ("negative load", lambda: wire.least_fuse_a(-1)),
    ("beyond the bridge's table", lambda: drivers.bridge_drop_v(L298, 2.1)),
    ("a driver without figures", lambda: drivers.bridge_drop_v(drivers.Driver("x"), 1)),
    ("braking current", lambda: drivers.bridge_drop_v(L298, -0.1)),
    ("on more than always", lambda: drivers.bridge_rise_k(L298, 1, 1.1)),
    ("input below nothing", lambda: regulators.heat_w(regulators.Regulator("x", 5), -1, 1)),
    ("negative peak", lambda: regulators.spare_ma(500, -1)),
    ("negative stall", lambda: regulators.stalled_input_v(ONE, ONE, ONE, -1, 0)),
    ("no drivers", lambda: sound.load_ohm(0, 8, "series")),
    ("a wiring nobody knows", lambda: sound.load_ohm(2, 8, "star")),
    ("a load below the amplifier's", lambda: sound.power_into_w(5, 8, 4)),
    ("an amplifier of nothing", lambda: sound.power_into_w(0, 8, 8)),
    ("a deaf speaker", lambda: sound.speaker_level(59, 1)),
    ("a siren's watts", lambda: sound.speaker_level(90, 1001)),
    ("a whisper's hours", lambda: sound.hearing_minutes(79.9)),
    ("a blast", lambda: sound.hearing_minutes(141)),
    ("flashes backwards", lambda: flash.onsets_most(-1)),
    ("no cycle at all", lambda: duty.cyclic_share(0, 0)),
    ("no share", lambda: duty.least_rest_s(10, 0)),
    ("torque of a motor that never runs", lambda: duty.torque_factor(0)),
    ("standing still", lambda: walking.delay_ms(5, 0)),
    ("walking backwards", lambda: walking.delay_band_s(-1, 1)),
    ("no volts on the wall", lambda: mains.load_a(100, 0)),
    ("negative watts", lambda: mains.mains_w(-1)),
    ("negative adapters", lambda: mains.leakage_ma(-1)),
    ("a device that trips at a touch", lambda: mains.leakage_limit_ma(1)),
    ("negative groups", lambda: runtime.starts_per_hour(-1, 5)),
    ("negative idle", lambda: runtime.taken_mah((), -1, ONE)),
    ("a night of no hours", lambda: runtime.forecast(ONE, ONE, 0)),
    ("a band out of order", lambda: Band(2, 3, 4)),
    ("a negative amount", lambda: ONE.times(Band(0, -1, 1))),
]


@pytest.mark.parametrize("call", [call for _, call in REFUSED], ids=[name for name, _ in REFUSED])
def test_what_lies_outside_is_refused_with_what_is_allowed(call: Callable[[], object]) -> None:
    with pytest.raises(ValueError, match="allowed"):
        call()


def test_the_edges_themselves_are_allowed() -> None:
    assert pack.open_circuit_mv("lipo", 1, 100) == 4200
    assert capacity.peukert_hours(100, 20, 5, 1.6) == pytest.approx(20)
    assert capacity.cold_share("nimh", -10).at == pytest.approx(0.7)
    assert wire.gauge_mm2(30) > 0
    assert drivers.bridge_drop_v(L298, 2).at == pytest.approx(3.7)
    assert sound.hearing_minutes(80) > sound.hearing_minutes(140) > 0
    assert sound.power_into_w(5, 8, 8) == 5
    assert duty.torque_factor(1) == 1
