"""Worked sums for whoever plans, by the same workshop that `haunt check` asks.

Everyday figures are given; no figure of an answer is typed in.
"""

from typing import Final, NamedTuple

from haunt.workshop import (
    capacity,
    deadtime,
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

HOUR_S: Final = 3600


class Worked(NamedTuple):
    """One sum: the question, what is known, how it goes, what comes out, and what to do."""

    id: str
    question: str
    given: str
    working: str
    answer: str
    so: str


def worked() -> tuple[Worked, ...]:
    return (
        _ready(),
        _spacing(),
        _takes(),
        _charge(),
        _sags(),
        _drops(),
        _fuse(),
        _heat(),
        _fence(),
        _walk(),
        _flashes(),
        _motor(),
        _circuit(),
    )


def _ready() -> Worked:
    groups, plays_s, rests_s = 60, 6, 20
    share = deadtime.answered_share(groups, plays_s + rests_s)
    return Worked(
        "ready",
        "How many groups find the prop ready?",
        f"{groups} groups an hour. It plays {plays_s} s and rests {rests_s} s.",
        f"Busy {plays_s + rests_s} s a start, {groups} x {plays_s + rests_s} / {HOUR_S} = "
        f"{groups * (plays_s + rests_s) / HOUR_S:.2f} groups come in that time: "
        f"1 / (1 + {groups * (plays_s + rests_s) / HOUR_S:.2f}).",
        f"{share:.0%}: {share * groups:.0f} of {groups}.",
        "A shorter rest, or a second prop that the same sensor asks. It holds for groups that come "
        "by chance; in a queue more find it busy.",
    )


def _spacing() -> Worked:
    rests_s = 20
    for_half = HOUR_S / rests_s
    share = deadtime.answered_share(for_half, rests_s)
    return Worked(
        "spacing",
        "And when a group comes as often as it rests?",
        f"One group each {rests_s} s on average, a start and its rest take {rests_s} s.",
        f"1 / (1 + {for_half:.0f} x {rests_s} / {HOUR_S}).",
        f"{share:.0%}.",
        "Half of them meet a still prop. Let the greeter space groups, or shorten the rest.",
    )


def _takes() -> Worked:
    idle_ma, burst_ma, plays_s, rests_s, groups, night_h = 80.0, 1120.0, 8.0, 20.0, 60.0, 4.0
    cells_mah, cold_c = 1000.0, 0.0
    turn = runtime.Turn(rests_s, (runtime.Play(1.0, plays_s, burst_ma),))
    starts = runtime.starts_per_hour(groups, plays_s + rests_s)
    takes = runtime.taken_mah(
        (runtime.Stretch(night_h, (turn,)),), idle_ma, Band(groups, groups, groups)
    )
    cold = capacity.cold_share("lipo", cold_c)
    gives = Band(cells_mah * cold.at, cells_mah * cold.low, cells_mah * cold.high)
    sure = runtime.forecast(gives, takes, night_h).sure
    return Worked(
        "pack",
        "Does the pack last till close?",
        f"{idle_ma:g} mA all the time; {burst_ma:g} mA more for {plays_s:g} s a start, rest "
        f"{rests_s:g} s, {groups:g} groups an hour, {night_h:g} h, freezing, LiPo of "
        f"{cells_mah:g} mAh.",
        f"{starts:.1f} starts an hour x {burst_ma * plays_s / HOUR_S:.2f} mAh x {night_h:g} h + "
        f"{idle_ma:g} x {night_h:g}. In the cold it gives {cold.at:.0%}.",
        f"It takes about {takes.at:.0f} mAh and gives about {gives.at:.0f}: {sure:.0%} sure.",
        "Under 90 % take a bigger pack, a longer rest, or a spare in the tote. Cold is from "
        "memory, 15 points either way.",
    )


def _charge() -> Worked:
    series, rest_mv, loaded_mv = 2, 7590, 7410
    at_rest = pack.charge_percent("lipo", series, rest_mv)
    loaded = pack.charge_percent("lipo", series, loaded_mv)
    return Worked(
        "charge",
        "What do the volts of a pack say?",
        f"LiPo, {series} cells in a row: {rest_mv / 1000:.2f} V after a rest, "
        f"{loaded_mv / 1000:.2f} V while it plays.",
        f"{rest_mv / series / 1000:.3f} V and {loaded_mv / series / 1000:.3f} V a cell, looked up "
        "in the curve of the cell.",
        f"{at_rest} % at rest; the same pack read under load says {loaded} %.",
        "Believe rest readings only: nothing on for five seconds. haunt takes the middle of five.",
    )


def _sags() -> Worked:
    rest_v, loaded_v, at_a, stall_a = 7.4, 7.0, 2.0, 5.0
    ohm = sag.measured_ohm(rest_v, loaded_v, at_a)
    lost = sag.sag_v(Band(ohm, ohm, ohm), stall_a).at
    return Worked(
        "sag",
        "Why does the board restart when the motor starts?",
        f"{rest_v:g} V at rest, {loaded_v:g} V under {at_a:g} A; the motor stalls at "
        f"{stall_a:g} A.",
        f"({rest_v:g} - {loaded_v:g}) / {at_a:g} = {ohm:.2f} ohm inside the pack, x {stall_a:g} A.",
        f"{lost:.1f} V are gone: {rest_v - lost:.1f} V are left for the regulator.",
        "A regulator of its own for the logic, off the pack; short thick leads; a fresh pack. "
        "The page then says brown-out.",
    )


def _drops() -> Worked:
    length_m, amps, thin, thick = 5.0, 2.0, 22, 18
    drops = [wire.drop_v(length_m, wire.gauge_mm2(each), amps) for each in (thin, thick)]
    return Worked(
        "wire",
        "What does a long lead take?",
        f"{length_m:g} m to the prop, {amps:g} A, copper of AWG {thin} or AWG {thick}.",
        f"Out and back are {2 * length_m:g} m. AWG {thin} has "
        f"{wire.ohm_per_km(wire.gauge_mm2(thin)):.1f} ohm a km, AWG {thick} "
        f"{wire.ohm_per_km(wire.gauge_mm2(thick)):.1f}.",
        f"{drops[0]:.2f} V with AWG {thin}, {drops[1]:.2f} V with AWG {thick}.",
        "Of 5 V that is much: run 12 V out and make 5 V at the prop.",
    )


def _fuse() -> Worked:
    amps, gauge = 3.0, 18
    least, most = wire.least_fuse_a(amps), wire.largest_fuse_a(wire.gauge_mm2(gauge))
    return Worked(
        "fuse",
        "Which fuse?",
        f"{amps:g} A for long, copper of AWG {gauge}.",
        f"At least {amps:g} x 1.25 = {least:.2f} A; at most what the copper bears, {most:g} A.",
        f"{least:.2f} to {most:g} A: take the smallest that you have in between.",
        "It sits at the pack's lead, not at the prop. Common practice; local codes decide.",
    )


def _heat() -> Worked:
    volts, amps_ma = 12.0, 300.0
    part = regulators.regulator_of("78m05")
    assert part is not None, "a part that everybody has"
    heat = regulators.heat_w(part, volts, amps_ma)
    rise = regulators.rise_k(part, volts, amps_ma)
    assert rise is not None, "its package is known"
    return Worked(
        "heat",
        "Does the small regulator bear it?",
        f"{volts:g} V in, 5 V out, {amps_ma:g} mA, a 78M05 without a heat sink.",
        f"({volts:g} - 5) x {amps_ma / 1000:g} and what it takes itself.",
        f"{heat.at:.1f} W, which is {rise.at:.0f} K hotter than the air.",
        "It switches itself off. Take a switching regulator.",
    )


def _fence() -> Worked:
    level, away_m = 82.0, 10.0
    one = sound.level_at(level, away_m)
    two = sound.sum_of([one, one])
    return Worked(
        "fence",
        "How loud is it at the fence?",
        f"{level:g} dBA at 1 m, the fence is {away_m:g} m away; two such props at once.",
        f"{level:g} - 20 lg {away_m:g}; two of the same are 3 dB more.",
        f"{one:.0f} dBA for one, {two:.0f} dBA for both, give or take {sound.OUTDOORS_DB:.0f}.",
        "Write the fence and its limit into the show file: the rule sound-limit keeps to it. "
        "Measure once; a measured level is worth more.",
    )


def _walk() -> Worked:
    away_m, speed = 4.0, 0.8
    at = walking.delay_ms(away_m, speed) / 1000
    band = walking.delay_band_s(away_m, speed)
    return Worked(
        "walk",
        "When are they there?",
        f"The sensor stands {away_m:g} m before the prop; families walk {speed:g} m/s in the dark.",
        f"{away_m:g} / {speed:g}.",
        f"{at:.0f} s; the quick take {band.low:.1f}, the slow {band.high:.1f} s.",
        "Wider than their patience: put the sensor at the prop. Beyond 2 m nothing startles in "
        "time.",
    )


def _flashes() -> Worked:
    strobe_hz = 2
    most = flash.together_most([1000 * strobe_hz] * 2)
    return Worked(
        "flash",
        "Two slow strobes in one view?",
        f"Each flashes {strobe_hz} times a second; nobody keeps them in step.",
        f"{strobe_hz} + {strobe_hz}.",
        f"Up to {most} flashes in the worst second; the limit is 3.",
        "One of them, or slower ones, or walls between. The figure is borrowed from screens, and "
        "careful.",
    )


def _motor() -> Worked:
    on_s, each_s, plate = 2.0, 30.0, 0.25
    share = duty.cyclic_share(on_s, each_s - on_s)
    rest = duty.least_rest_s(duty.WINDOW_S, plate)
    return Worked(
        "motor",
        "May the motor run that often?",
        f"{on_s:g} s of each {each_s:g}; its plate says S3 {plate:.0%}.",
        f"{on_s:g} / {each_s:g}.",
        f"{share:.1%}: far below {plate:.0%}. Ten minutes at a stretch would need "
        f"{rest / 60:.0f} minutes of rest.",
        "Write duty = 0.25 into the file: the rule duty keeps to it.",
    )


def _circuit() -> Worked:
    watts, volts, breaker_a = 1500.0, 120.0, 15.0
    amps = mains.load_a(watts, volts)
    return Worked(
        "circuit",
        "Does the porch circuit carry it?",
        f"A fogger of 1,000 W and lamps of 500 W on {volts:g} V behind a {breaker_a:g} A breaker.",
        f"{watts:g} / {volts:g}.",
        f"{amps:.1f} A, {amps / breaker_a:.0%} of the breaker; stay below 80 %.",
        "Put the fogger on a circuit of its own, and never together with a compressor.",
    )
