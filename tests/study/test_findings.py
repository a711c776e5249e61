"""Goal: every fault in a show file is found where it stands, and nothing else is called one.

Method: the example shows, one of them with planted faults; then one small show a check, on both
sides of its limit.
"""

import json
import re
from pathlib import Path
from typing import get_args

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.study.findings.book import Book, as_json, look
from haunt.study.findings.kinds import Finding, Severity
from haunt.study.findings.words import lines
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.wire.showpower import Chemistry
from haunt.workshop.cautions import Topic
from tests.outside.registry import outside

FOLDER = Path(__file__).parent.parent.parent / "haunt" / "examples"

HEAD = '[show]\nid = "small"\ntime_zone = "UTC"\nnight_low_c = 20\n'
NIGHT = '[[night]]\ndate = 2026-10-31\nopens = "18:00"\ncloses = "22:00"\nlast_group_min = 0\n'
TRAFFIC = "[traffic]\ngroups_per_hour = 40\nlow = 30\nhigh = 50\n"


def example(name: str) -> Book:
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    read = read_show(text, f"{name}.toml")
    return look(read, sunset_of(read.show))


def small(
    board: str = "", prop: str = "", behaviour: str = "", head: str = "", more: str = ""
) -> Book:
    """One board, one sensor, one prop with one behaviour; each part takes more keys."""
    text = (
        f'{HEAD}{head}\n[[board]]\nid = "gate"\n{board}\n'
        f'[[sensor]]\nid = "eye"\nboard = "gate"\n'
        f'[[prop]]\nid = "keeper"\nboard = "gate"\ncooldown_s = 20\n{prop}\n'
        f'[[prop.behaviour]]\nid = "growl"\nduration_s = 6\n{behaviour}\n'
        f'[[link]]\nsensor = "eye"\nprop = "keeper"\n{more}\n'
    )
    return look(read_show(text, "small.toml"))


def found(book: Book, check: str) -> list[Finding]:
    return [each.finding for each in book.findings if each.finding.check == check]


def checks(book: Book) -> set[str]:
    return {each.finding.check for each in book.findings}


def needed(book: Book) -> set[str]:
    return {each.need.keys for each in book.unchecked}


# --- whole shows


@pytest.mark.parametrize("name", ["first-night", "garden"])
def test_a_sound_example_has_no_finding_at_all(name: str) -> None:
    book = example(name)
    assert [(each.line, each.finding.why) for each in book.findings] == []
    assert book.unchecked, "what it leaves out is told"


PLANTED = {
    ("pin-moves-at-switch-on", "gate"),
    ("pin-input-only", "gate"),
    ("pin-not-with-wifi", "gate"),
    ("stop-state", "gate"),
    ("regulator-headroom", "gate"),
    ("fuse-wire", "gate"),
    ("motor-volts", "gatekeeper"),
    ("cut-off", "gatekeeper"),
    ("duty", "gatekeeper"),
    ("brown-out", "gatekeeper"),
    ("pin-twice", "well"),
    ("pin-missing", "well"),
    ("pin-missing", "crypt"),
    ("pin-missing", "arch"),
    ("brown-out", "old-well"),
    ("supply-alone", "old-well"),
    ("patience", "well-lamp"),
    ("regulator-heat", "crypt"),
    ("input-volts", "crypt"),
    ("wire-drop", "crypt"),
    ("hearing", "crypt-voice"),
    ("boundary-alone", "crypt-voice"),
    ("speaker-load", "crypt-voice"),
    ("startle-hazard", "crypt-voice"),
    ("walk-band", "crypt-voice"),
    ("flash-alone", "crypt-strobe"),
    ("strobe-hazard", "crypt-strobe"),
    ("startle-hazard", "crypt-strobe"),
    ("pack-lasts", "arch"),
    ("flash-together", "arch-left"),
    ("gentle-strobe", "early"),
    ("flash-limit", "planted-faults"),
    ("circuit-fog-air", "garage"),
    ("circuit-load", "garage"),
    ("circuit-wet", "garage"),
}


@pytest.mark.parametrize(("check", "about"), sorted(PLANTED))
def test_a_planted_fault_is_found(check: str, about: str) -> None:
    whole = example("planted-faults")
    assert [each for each in found(whole, check) if each.about.id == about]


def test_nothing_is_found_that_was_not_planted() -> None:
    whole = example("planted-faults")
    assert {(e.finding.check, e.finding.about.id) for e in whole.findings} == PLANTED


def test_every_mark_in_the_planted_file_names_a_check_and_every_check_has_a_mark() -> None:
    text = (FOLDER / "planted-faults.toml").read_text(encoding="utf-8")
    marked = set()
    for line in re.findall(r"# fault: (.*)", text):
        marked |= set(re.findall(r"[a-z-]+", re.sub(r"\(.*?\)", "", line)))
    assert marked - {"-"} == {check for check, _ in PLANTED}


def test_a_finding_stands_at_its_line_and_key() -> None:
    text = (FOLDER / "planted-faults.toml").read_text(encoding="utf-8").split("\n")
    for each in example("planted-faults").findings:
        last = each.key.split(".")[-1].split("[")[0]
        near = "\n".join(text[each.line - 1 : each.line + 1])
        assert last in near, f"{each.line}: {each.key}"


def test_findings_come_worst_first_and_then_in_the_order_of_the_file() -> None:
    placed = example("planted-faults").findings
    rank = [list(Severity).index(each.finding.severity) for each in placed]
    assert rank == sorted(rank)
    musts = [e.line for e in placed if e.finding.severity is Severity.MUST]
    assert musts == sorted(musts)


def test_each_finding_says_why_and_what_would_mend_it() -> None:
    for placed in example("planted-faults").findings:
        each = placed.finding
        assert each.why.endswith(".")
        assert each.mend.endswith(".")
        if each.figure is not None and each.severity is Severity.MUST:
            assert each.figure.margin < 0


def test_as_json_and_as_lines_it_says_the_same() -> None:
    book = example("planted-faults")
    plain = json.loads(json.dumps(as_json(book)))
    said = "\n".join(lines(book))
    assert plain["counts"] == {s.value: len(book.of(s)) for s in Severity}
    assert sum(plain["counts"].values()) == len(plain["findings"]) == len(PLANTED)
    for each in plain["findings"]:
        assert f"planted-faults.toml:{each['line']}: {each['severity']}: {each['key']}" in said
        assert each["why"] in said
        if each["value"] is not None:
            assert each["low"] <= each["value"] <= each["high"]
    assert {each["board"] for each in plain["packs"]} == {"gate", "crypt", "arch"}


def test_the_cautions_are_those_of_what_the_show_has_in_it() -> None:
    assert example("first-night").cautions == [Topic.LITHIUM, Topic.FUSE, Topic.MOTION]
    assert Topic.BUILDING not in example("planted-faults").cautions
    assert {Topic.AIR, Topic.FOG, Topic.STROBE} <= set(example("planted-faults").cautions)


def test_a_need_is_told_once_however_many_lack_it() -> None:
    book = example("garden")
    needs = [each.need for each in book.unchecked]
    assert len(needs) == len(set(needs))
    assert any(len(each.ids) > 3 for each in book.unchecked)


def test_what_is_left_out_is_neither_summed_nor_called_wrong() -> None:
    book = small()
    assert book.findings == ()
    assert book.packs == ()
    assert "board.model and pins" in needed(book)


# --- packs

PACK = 'idle_ma = 100\nbattery = { chemistry = "lipo", series = 2, capacity_mah = %d }'


def test_a_pack_that_is_large_enough_lasts_and_a_small_one_does_not() -> None:
    draw = "average_ma = 500"
    large = small(PACK % 3000, behaviour=draw, head=NIGHT + TRAFFIC)
    tiny = small(PACK % 500, behaviour=draw, head=NIGHT + TRAFFIC)
    [lasting], [failing] = large.packs, tiny.packs
    assert lasting.forecast.sure > 0.99
    assert checks(large) & {"pack-lasts"} == set()
    assert failing.forecast.sure < 0.5
    [short] = found(tiny, "pack-lasts")
    assert short.severity is Severity.MUST


def test_the_forecast_of_a_pack_is_the_sum_by_hand() -> None:
    # 4 h idle at 100 mA, and 40 groups an hour at 26 s of dead time: 40/(1+40*26/3600) starts of
    # 500 mA for 6 s. Arithmetic.
    [pack] = small(PACK % 3000, behaviour="average_ma = 500", head=NIGHT + TRAFFIC).packs
    starts = 40 / (1 + 40 * 26 / 3600)
    assert pack.forecast.takes.at == pytest.approx(4 * (100 + starts * 500 * 6 / 3600))
    # A new-looking pack at 20 C down to a tenth: 0.9 of print, 0.9 of that.
    assert pack.forecast.gives.at == pytest.approx(3000 * 0.9 * 0.9)


def test_a_cold_night_takes_from_the_pack() -> None:
    text = _text(PACK % 3000, "average_ma = 500")
    [warm] = look(read_show(text, "warm.toml")).packs
    cold = text.replace("night_low_c = 20", "night_low_c = 0")
    [frozen] = look(read_show(cold, "cold.toml")).packs
    assert frozen.forecast.gives.at == pytest.approx(0.8 * warm.forecast.gives.at)


def test_the_cooldown_that_would_make_it_last_is_named_and_does() -> None:
    draw = "average_ma = 1500"
    board = PACK.replace("100", "40") % 640
    book = small(board, behaviour=draw, head=NIGHT + TRAFFIC)
    [short] = found(book, "pack-lasts")
    named = re.search(r"cooldown of (\d+) s", short.mend)
    assert named, short.mend
    text = _text(board, draw).replace("cooldown_s = 20", f"cooldown_s = {named.group(1)}")
    slowed = look(read_show(text, "slow.toml"))
    assert book.packs[0].forecast.sure < 0.9 <= slowed.packs[0].forecast.sure


def _text(board: str, behaviour: str) -> str:
    return (
        f'{HEAD}{NIGHT}{TRAFFIC}\n[[board]]\nid = "gate"\n{board}\n'
        f'[[sensor]]\nid = "eye"\nboard = "gate"\n'
        f'[[prop]]\nid = "keeper"\nboard = "gate"\ncooldown_s = 20\n'
        f'[[prop.behaviour]]\nid = "growl"\nduration_s = 6\n{behaviour}\n'
        f'[[link]]\nsensor = "eye"\nprop = "keeper"\n'
    )


def test_with_invented_traffic_a_short_pack_is_no_must() -> None:
    book = small(PACK % 500, behaviour="average_ma = 500", head=NIGHT)
    [short] = found(book, "pack-lasts")
    assert short.severity is Severity.SHOULD
    assert "an invented 40 groups an hour" in book.packs[0].assumed
    assert "traffic.groups_per_hour" in needed(book)


def test_behaviours_that_a_phase_bars_take_nothing_of_the_pack() -> None:
    gentle = '[[phase]]\nname = "gentle"\nmax_intensity = 2\n'
    wild = small(PACK % 3000, behaviour="average_ma = 500\nintensity = 4", head=NIGHT + TRAFFIC)
    tame = small(
        PACK % 3000, behaviour="average_ma = 500\nintensity = 4", head=NIGHT + TRAFFIC + gentle
    )
    assert tame.packs[0].forecast.takes.at == pytest.approx(400)
    assert wild.packs[0].forecast.takes.at > 400


def test_quiet_hours_bar_what_is_loud_and_what_has_no_level() -> None:
    quiet = '[[quiet]]\nfrom = "18:00"\nto = "22:00"\nmax_level_dba = 60\n'
    head = NIGHT + TRAFFIC + quiet
    takes = [
        small(PACK % 3000, behaviour=f"average_ma = 500\n{level}", head=head)
        .packs[0]
        .forecast.takes
        for level in ("level_dba = 60", "level_dba = 61", "")
    ]
    assert takes[0].at > takes[1].at == takes[2].at == pytest.approx(400)


def test_lead_acid_needs_its_hour_rate_and_counts_cells() -> None:
    lead = (
        'idle_ma = 100\nbattery = { chemistry = "lead-acid", series = %d, capacity_mah = 7000%s }'
    )
    draw = "average_ma = 500"
    without = small(lead % (6, ""), behaviour=draw, head=NIGHT + TRAFFIC)
    assert "battery.rate_h" in needed(without)
    assert without.packs == ()
    rated = small(lead % (6, ", rate_h = 20"), behaviour=draw, head=NIGHT + TRAFFIC)
    assert rated.packs[0].forecast.gives.at < 7000 * 0.9 * 0.9 * 0.995
    assert "pack-cells" not in checks(rated)
    assert "pack-cells" in checks(small(lead % (1, ", rate_h = 20"), behaviour=draw))


def test_a_measured_capacity_goes_before_the_printed_one() -> None:
    worn = (
        'idle_ma = 100\nbattery = { chemistry = "lipo", series = 2, capacity_mah = 3000, '
        "measured_mah = 2000 }"
    )
    book = small(worn, behaviour="average_ma = 500", head=NIGHT + TRAFFIC)
    assert book.packs[0].forecast.gives.at == pytest.approx(2000 * 0.9)
    assert [each.severity for each in found(book, "pack-worn")] == [Severity.NOTE]


def test_a_temperature_beyond_the_figures_is_said_and_not_guessed() -> None:
    book = example("first-night")
    assert "pack-rate" not in checks(book)
    text = _text(PACK % 3000, "average_ma = 500").replace("night_low_c = 20", "night_low_c = -25")
    frost = look(read_show(text, "frost.toml"))
    assert [each.severity for each in found(frost, "pack-rate")] == [Severity.SHOULD]
    assert frost.packs == ()


# --- power path

CARRIER = 'input_max_v = 16\nbattery = { chemistry = "lipo", series = %d }'


@pytest.mark.parametrize(("series", "severity"), [(3, None), (4, Severity.MUST)])
def test_a_carrier_is_planned_well_inside_its_print(series: int, severity: Severity | None) -> None:
    said = [each.severity for each in found(small(CARRIER % series), "input-volts")]
    assert said == ([severity] if severity else [])


def test_fifteen_volts_on_a_carrier_for_sixteen_are_warned_of() -> None:
    supply = '[[supply]]\nid = "psu"\nvolts = 15\nlimit_a = 3\nfuse_a = 3\n'
    book = small('supply = "psu"\ninput_max_v = 16', head=supply)
    assert [each.severity for each in found(book, "input-volts")] == [Severity.SHOULD]
    sound = supply.replace("15", "13")
    assert found(small('supply = "psu"\ninput_max_v = 16', head=sound), "input-volts") == []


def test_a_drained_pack_below_the_carriers_least_is_warned_of() -> None:
    board = 'input_min_v = 6.5\nbattery = { chemistry = "lipo", series = %d }'
    assert "input-volts-low" in checks(small(board % 2))
    assert "input-volts-low" not in checks(small(board % 3))


MOTOR = "motor = { volts = 6, running_ma = %d, stall_ma = %d }"
BRIDGE = 'driver = "%s"\nbattery = { chemistry = "lipo", series = 2, capacity_mah = 5000 }'


def test_a_bipolar_bridge_leaves_too_little_and_a_mosfet_enough() -> None:
    moving = "motor_on_s = 3\npeak_ma = 1500"
    weak = small(BRIDGE % "l298", MOTOR % (1200, 2000), moving)
    strong = small(BRIDGE % "drv8833", MOTOR % (1200, 2000), moving)
    [finding] = found(weak, "motor-volts")
    assert finding.figure is not None
    assert finding.figure.value.low < finding.figure.value.at < finding.figure.value.high
    assert "motor-volts" not in checks(strong)


def test_a_motor_beyond_its_driver_must_be_mended_and_its_stall_should_be() -> None:
    beyond = small(BRIDGE % "tb6612fng", MOTOR % (1300, 2000))
    stalling = small(BRIDGE % "tb6612fng", MOTOR % (1000, 3300))
    within = small(BRIDGE % "tb6612fng", MOTOR % (1000, 3000))
    assert [each.severity for each in found(beyond, "driver-current")] == [Severity.MUST]
    assert [each.severity for each in found(stalling, "driver-stall")] == [Severity.SHOULD]
    assert checks(within) & {"driver-current", "driver-stall"} == set()


def test_too_many_volts_for_the_motor_are_told() -> None:
    three = BRIDGE.replace("series = 2", "series = 3")
    book = small(three % "tb6612fng", MOTOR % (500, 1500))
    assert "motor-volts-high" in checks(book)
    assert "input-volts" not in checks(book), "12.6 V are inside what the driver bears"


SHARED = '[[supply]]\nid = "usb"\nvolts = 5\nlimit_a = %s\nfuse_a = 5\n'


def test_motor_and_logic_on_one_small_five_volts_restart_and_on_a_large_one_do_not() -> None:
    motor = "motor = { volts = 4.5, running_ma = 500, stall_ma = 2000 }"
    board = 'model = "esp32"\nsupply = "usb"'
    tight, ample = (small(board, motor, head=SHARED % amps) for amps in (2, 3))
    [finding] = found(tight, "brown-out")
    assert finding.severity is Severity.MUST
    assert "regulator of its own off the pack" in finding.mend
    assert "brown-out" not in checks(ample)


def test_feeding_the_logic_from_its_own_regulator_off_the_pack_cures_it() -> None:
    pack = (
        'model = "esp32"\ndriver = "tb6612fng"\nregulator = "buck"\nbattery = { chemistry = '
        '"lipo", series = 2, capacity_mah = 5000, resistance_mohm = 30, fuse_a = 5 }'
    )
    buck = (
        '[[regulator]]\nid = "buck"\nkind = "switching"\noutput_v = 5\nlimit_ma = 2000\n'
        "dropout_v = 1\ninput_max_v = 28\n"
    )
    motor = 'motor = { volts = 6, running_ma = 500, stall_ma = 2000, rail = "%s" }'
    assert "brown-out" in checks(small(pack, motor % "logic", head=buck))
    assert "brown-out" not in checks(small(pack, motor % "pack", head=buck))
    sagging = pack.replace("resistance_mohm = 30", "resistance_mohm = 700")
    [finding] = found(small(sagging, motor % "pack", head=buck), "brown-out")
    assert finding.severity is Severity.MUST


def test_a_regulator_that_a_drained_pack_no_longer_feeds_is_told() -> None:
    board = 'regulator = "78m05"\nbattery = { chemistry = "lipo", series = %d }'
    assert "regulator-headroom" in checks(small(board % 2))
    assert "regulator-headroom" not in checks(small(board % 3))


def test_cold_makes_a_pack_sag_more() -> None:
    # 7.4 V less 0.36 V in the driver and 1.3 V in the pack: 5.7 V; twice the sag: 4.4 V of 6 V.
    motor = "motor = { volts = 6, running_ma = 1000, stall_ma = 2000 }"
    board = (
        'driver = "drv8833"\nbattery = { chemistry = "lipo", series = 2, resistance_mohm = 1300 }'
    )
    text = _text(board, "peak_ma = 500").replace("cooldown_s = 20", f"cooldown_s = 20\n{motor}")
    cold = text.replace("night_low_c = 20", "night_low_c = 0")
    assert "motor-volts" not in checks(look(read_show(text, "warm.toml")))
    assert "motor-volts" in checks(look(read_show(cold, "cold.toml")))


def test_a_linear_regulator_gets_hot_and_a_switching_one_does_not() -> None:
    board = 'regulator = "%s"\nidle_ma = 250\nbattery = { chemistry = "lipo", series = 3 }'
    buck = (
        '[[regulator]]\nid = "buck"\nkind = "switching"\noutput_v = 5\ntheta_k_w = 40\n'
        "limit_ma = 2000\ninput_max_v = 28\n"
    )
    assert "regulator-heat" in checks(small(board % "78m05"))
    assert "regulator-heat" not in checks(small(board % "buck", head=buck))


def test_a_regulator_too_small_for_the_radio_must_be_mended() -> None:
    tiny = '[[regulator]]\nid = "tiny"\noutput_v = 3.3\nlimit_ma = %d\ninput_max_v = 16\n'
    board = 'model = "esp32"\nregulator = "tiny"\nbattery = { chemistry = "lipo", series = 1 }'
    assert "regulator-load" in checks(small(board, head=tiny % 250))
    assert "regulator-load" not in checks(small(board, head=tiny % 500))


WIRED = (
    'idle_ma = 0\nwire = { length_m = %d, awg = %d }\nbattery = { chemistry = "lipo", series = 2, '
    "fuse_a = %s }"
)


def test_a_fuse_larger_than_its_wire_bears_must_be_mended() -> None:
    assert "fuse-wire" in checks(small(WIRED % (1, 18, "7.5")))
    assert "fuse-wire" not in checks(small(WIRED % (1, 18, "7")))


def test_a_long_thin_wire_drops_too_much() -> None:
    strong = "peak_ma = 2000"
    # 2 A over 5 m of AWG 22: 1.059 V of 7.4 V; of AWG 18: 0.419 V. Arithmetic.
    assert "wire-drop" in checks(small(WIRED % (5, 22, "3"), behaviour=strong))
    assert "wire-drop" not in checks(small(WIRED % (5, 18, "3"), behaviour=strong))


# --- supplies and circuits


def test_a_behaviour_that_its_supply_cannot_carry_never_plays() -> None:
    board = 'supply = "usb"\nidle_ma = 200'
    over, within = (
        small(board, behaviour=f"peak_ma = {peak}", head=SHARED % 2) for peak in (1801, 1800)
    )
    assert [each.severity for each in found(over, "supply-alone")] == [Severity.MUST]
    assert "supply-alone" not in checks(within)


def test_a_fuse_that_would_tire_under_the_load_is_told() -> None:
    head = SHARED.replace("fuse_a = 5", "fuse_a = 1") % 3
    busy = "average_ma = %d\npeak_ma = 1000"
    board = 'supply = "usb"\nidle_ma = 200'
    assert "fuse-small" in checks(small(board, behaviour=busy % 700, head=head))
    assert "fuse-small" not in checks(small(board, behaviour=busy % 600, head=head))


CIRCUIT = '[[circuit]]\nid = "porch"\nvolts = 230\nbreaker_a = 10\n%s\n'


def circuit(keys: str, supplies: str = "") -> set[str]:
    return checks(small(head=CIRCUIT % keys + supplies))


def test_a_circuit_is_held_to_four_fifths_of_its_breaker() -> None:
    assert "circuit-load" not in circuit("other_w = 1840")
    assert "circuit-load" in circuit("other_w = 1850")
    [over] = found(small(head=CIRCUIT % "other_w = 2400"), "circuit-load")
    assert over.severity is Severity.MUST


def test_wet_loads_need_a_ground_fault_device_and_the_controller_another_circuit() -> None:
    assert "circuit-wet" in circuit("wet = true")
    assert "circuit-wet" not in circuit("wet = true\ngfci = true")
    assert "circuit-controller" in circuit("wet = true\ngfci = true\ncontroller = true")
    assert "circuit-controller" not in circuit("gfci = true\ncontroller = true")


def test_many_adapters_behind_one_sensitive_device_may_trip_it() -> None:
    adapters = "".join(
        f'[[supply]]\nid = "s{n}"\ncircuit = "porch"\nvolts = 5\nlimit_a = 1\n' for n in range(11)
    )
    assert "circuit-leakage" in circuit("gfci = true\ngfci_ma = 5", adapters)
    assert "circuit-leakage" not in circuit("gfci = true\ngfci_ma = 30", adapters)


# --- pins


@pytest.mark.parametrize(
    ("pins", "check"),
    [
        ('model = "esp32"\npins = { arm = 0 }', "pin-moves-at-switch-on"),
        ('model = "esp32"\npins = { eyes = "GPIO15" }', "pin-moves-at-switch-on"),
        ('model = "esp32"\npins = { arm = 12 }', "pin-stops-boot"),
        ('model = "esp32"\npins = { arm = 9 }', "pin-flash"),
        ('model = "esp32"\npins = { arm = 20 }', "pin-no-such-pin"),
        ('model = "esp32"\npins = { pir = 36 }', "pin-false-interrupts"),
        ('model = "esp32-s3"\npins = { battery = 12 }', "pin-not-with-wifi"),
        ('model = "esp32-c3"\npins = { arm = 9 }', "pin-moves-at-switch-on"),
        ('model = "rp2040"\npins = { arm = 25 }', "pin-moves-at-switch-on"),
        ('model = "esp32"\npins = { arm = 26, hand = "io26" }', "pin-twice"),
    ],
)
def test_a_bad_pin_is_found(pins: str, check: str) -> None:
    assert check in checks(small(pins))


def test_a_good_pin_is_not_and_a_bad_one_names_better() -> None:
    assert small('model = "esp32"\npins = { arm = 25, pir = 34, battery = 35 }').findings == ()
    [finding] = found(
        small('model = "esp32"\npins = { arm = 0, eyes = 25 }'), "pin-moves-at-switch-on"
    )
    assert "Free and quiet: 26, 27, 32" in finding.mend


def test_a_mistyped_pin_is_told_by_what_has_none() -> None:
    [finding] = found(small("pins = { arm = 25, pri = 27 }"), "pin-missing")
    assert finding.why.startswith("gate has no pin for eye: its pins are called arm, pri.")
    assert finding.severity is Severity.NOTE
    assert found(small("pins = { arm = 25, eye = 27 }"), "pin-missing") == []
    assert found(small('pins = { arm = "GPIO25" }'), "pin-missing") == [], "not its own numbers"


def test_the_file_may_say_what_a_name_does_not() -> None:
    pins = 'model = "esp32"\npins = { keyhole = 5 }'
    assert "pin-moves-at-switch-on" in checks(small(pins))
    assert "pin-moves-at-switch-on" not in checks(small(f'{pins}\ninputs = ["keyhole"]'))
    assert "pin-stops-boot" in checks(small(f'{pins}\nanalog = ["keyhole"]'))


# --- motion


def test_what_is_released_by_hand_has_a_cut_off_written_down() -> None:
    assert "cut-off" in checks(small(prop="arm_by_hand = true"))
    assert "cut-off" not in checks(small(prop='arm_by_hand = true\ncut_off = "red toggle"'))


def test_a_motor_that_startles_is_released_by_hand() -> None:
    moving = "motor_on_s = 2\nintensity = %d"
    assert "arm-by-hand" in checks(small(behaviour=moving % 4))
    assert "arm-by-hand" not in checks(small(behaviour=moving % 3))


def test_duty_names_the_cooldown_that_keeps_it() -> None:
    # 5 s on in 6 s of play and 20 s of rest: 19.2 %. Arithmetic.
    assert "duty" not in checks(small(prop="duty = 0.2", behaviour="motor_on_s = 5"))
    [finding] = found(small(prop="duty = 0.1", behaviour="motor_on_s = 5"), "duty")
    assert finding.mend.startswith("cooldown_s = 44")  # 45 s of rest, one of them in the play
    assert "prop.duty" in needed(small(behaviour="motor_on_s = 5"))


def test_each_motor_has_a_stop_state_once_one_has() -> None:
    pins = 'model = "esp32"\npins = { arm = 25, lid = 26, eyes = 27 }'
    assert "board.stop_states" in needed(small(pins))
    [finding] = found(small(f'{pins}\nstop_states = {{ arm = "home" }}'), "stop-state")
    assert "lid" in finding.why


def test_startles_and_strobes_keep_three_metres_from_a_step() -> None:
    spot = "x_m = 0\ny_m = 0"
    for strong, check in (("intensity = 4", "startle-hazard"), ("flash_hz = 2", "strobe-hazard")):
        for away, is_found in ((3.0, True), (3.1, False)):
            step = f'[[hazard]]\nkind = "step"\nx_m = {away}\ny_m = 0'
            assert (check in checks(small(spot, behaviour=strong, more=step))) is is_found


# --- sound

SPEAKER = (
    'speaker = { watts = 5, ohms = 8, drivers = 2, wiring = "%s", sensitivity_db = 86, '
    "amplifier_w = %d, amplifier_ohm = %d }"
)


def test_two_drivers_in_parallel_need_an_amplifier_for_four_ohms() -> None:
    assert "speaker-load" in checks(small(prop=SPEAKER % ("parallel", 10, 8)))
    assert checks(small(prop=SPEAKER % ("parallel", 10, 4))) == set()
    assert "speaker-power" in checks(small(prop=SPEAKER % ("parallel", 20, 4)))


def test_a_level_that_the_speaker_cannot_make_is_told() -> None:
    speaker = SPEAKER % ("parallel", 10, 4)  # 96 dBA, at the very best 102
    assert "level-reach" not in checks(small(prop=speaker, behaviour="level_dba = 101"))
    assert "level-reach" in checks(small(prop=speaker, behaviour="level_dba = 103"))


LINE = (
    "x_m = 0\ny_m = 0",
    '[limits]\nboundary = [{ name = "fence", x_m = 10, y_m = 0, max_level_dba = 60 }]\n',
)


@pytest.mark.parametrize(
    ("level", "check"), [(74, set()), (75, {"boundary-near"}), (81, {"boundary-alone"})]
)
def test_a_level_at_the_line_is_a_band_and_over_it_never_plays(level: int, check: set[str]) -> None:
    # 20 dB less at 10 m, six either way.
    board, limits = LINE
    found = checks(small(board, behaviour=f"level_dba = {level}", head=limits))
    outside("sound/findings").agrees(wrong=len(found ^ check))


def test_ears_are_minded_from_the_spot_where_people_stand() -> None:
    near = "x_m = 0\ny_m = 0\nscare_spot = { x_m = %d, y_m = 0 }"
    loud = "level_dba = 103"
    assert "hearing" in checks(small(prop=near % 1, behaviour=loud))
    assert "hearing" not in checks(small(prop=near % 2, behaviour=loud))
    [harm] = found(small(behaviour="level_dba = 116"), "hearing")
    assert harm.severity is Severity.MUST


# --- flashes


def test_a_light_over_the_limit_alone_must_be_mended() -> None:
    assert "flash-alone" in checks(small(behaviour="flash_hz = 3.1"))
    assert "flash-alone" not in checks(small(behaviour="flash_hz = 3"))


SECOND = (
    '[[prop]]\nid = "other"\nboard = "gate"\ncooldown_s = 20\nview = "%s"\n'
    '[[prop.behaviour]]\nid = "blink"\nduration_s = 5\nflash_hz = 2\n'
)


def test_two_lights_in_one_view_add_up_unless_a_limit_keeps_them_apart() -> None:
    def seen(view: str, head: str = "") -> set[str]:
        book = small(prop='view = "gate"', behaviour="flash_hz = 2", head=head, more=SECOND % view)
        return checks(book) & {"flash-together"}

    assert seen("gate") == {"flash-together"}
    assert seen("elsewhere") == set()
    assert seen("gate", "[limits]\nflash_hz = 3\n") == set()


def test_four_a_second_is_a_choice_and_five_is_a_fault() -> None:
    four, five = (small(head=f"[limits]\nflash_hz = {hz}\n") for hz in (4, 5))
    assert [each.severity for each in found(four, "flash-limit")] == [Severity.NOTE]
    assert [each.severity for each in found(five, "flash-limit")] == [Severity.MUST]
    assert "flash-limit" not in checks(small(head="[limits]\nflash_hz = 3\n"))


# --- time


def test_patience_that_outlasts_the_cooldown_is_noted() -> None:
    [said] = found(small(prop="patience_s = 20"), "patience")
    assert "patience of keeper, 20 s, outlasts its cooldown of 20 s" in said.why
    assert "patience" not in checks(small(prop="patience_s = 19.9"))


def test_how_many_neighbours_one_motion_can_fire_is_told_from_two_on() -> None:
    pair = (
        '[[prop]]\nid = "other"\nboard = "gate"\ncooldown_s = 20\nx_m = 1\ny_m = 0\n'
        '[[prop.behaviour]]\nid = "blink"\nduration_s = 5\n'
    )
    here = "x_m = 0\ny_m = 0"

    def chain(gap_s: float) -> list[Finding]:
        head = f"[stagger]\nradius_m = 5\ngap_s = {gap_s}\n"
        return found(small(prop=here, head=head, more=pair), "chain")

    assert "can fire 4 of the props" in chain(1)[0].why
    assert chain(3.1) == []


def test_a_walk_whose_band_outlasts_the_patience_is_told_and_is_worse_for_a_startle() -> None:
    # 1.167 s a metre between 0.5 and 1.2 m/s. Arithmetic.
    assert "walk-band" not in checks(small(more="distance_m = 2.5"))
    [mild] = found(small(more="distance_m = 2.6"), "walk-band")
    [strong] = found(small(behaviour="intensity = 4", more="distance_m = 2.1"), "walk-band")
    assert (mild.severity, strong.severity) == (Severity.NOTE, Severity.SHOULD)


# --- whatever is left out


def test_no_check_falls_over_a_key_that_is_left_out() -> None:
    whole = (FOLDER / "planted-faults.toml").read_text(encoding="utf-8").split("\n")
    looked_at = 0
    for number, line in enumerate(whole):
        if not line or line.startswith(("#", "[")):
            continue
        text = "\n".join([*whole[:number], "", *whole[number + 1 :]])
        try:
            read = read_show(text, "cut.toml")
        except ShowFileRefused:
            continue  # ids, references and durations are asked for
        assert look(read).findings
        looked_at += 1
    assert looked_at > 100


def test_no_check_falls_over_a_number_that_nobody_would_write() -> None:
    text = (FOLDER / "planted-faults.toml").read_text(encoding="utf-8")
    looked_at = 0
    for number in re.finditer(r"= (-?[0-9.]+)(?=\s|,)", text):
        for wild in ("0.001", "1000000"):
            changed = text[: number.start(1)] + wild + text[number.end(1) :]
            try:
                read = read_show(changed, "wild.toml")
            except ShowFileRefused:
                continue
            assert list(lines(look(read)))
            looked_at += 1
    assert looked_at > 50


@pytest.mark.parametrize("chemistry", get_args(Chemistry))
@pytest.mark.parametrize("capacity_mah", [1, 900, 100_000])
def test_every_chemistry_has_a_forecast_or_a_reason_why_not(
    chemistry: str, capacity_mah: int
) -> None:
    battery = (
        f'battery = {{ chemistry = "{chemistry}", series = 6, capacity_mah = {capacity_mah}, '
        "rate_h = 20 }"
    )
    book = small(
        f"idle_ma = 100\n{battery}", MOTOR % (500, 1500), "average_ma = 500", NIGHT + TRAFFIC
    )
    assert book.packs or "pack-rate" in checks(book)
    if capacity_mah == 1:
        assert checks(book) & {"pack-lasts", "pack-rate"}
