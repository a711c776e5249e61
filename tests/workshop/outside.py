"""What others have published of the workshop's sums, beside what we compute.

`tests.outside` joins this list with all other checks of the kind; it says what each proof means.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil

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
from haunt.workshop.regulators import REGULATORS
from tests.outside.rows import Proof

FOOT_M = 0.3048
KFT_PER_KM = 3.28084


@dataclass(frozen=True, slots=True)
class Outside:
    """`tolerance` in the value's own unit. `sum` of `args` is our figure for the same thing."""

    what: str
    source: str
    value: float
    unit: str
    tolerance: float
    proof: Proof
    sum: Callable[..., float]
    args: tuple[object, ...] = ()

    @property
    def ours(self) -> float:
        return self.sum(*self.args)

    @property
    def deviation(self) -> float:
        return self.ours - self.value

    @property
    def holds(self) -> bool:
        return abs(self.deviation) <= self.tolerance + 1e-12


V, L, A = Proof.VERIFIED, Proof.LIBRARY, Proof.ARITHMETIC
M, P = Proof.MEMORY, Proof.PRACTICE


def _wire() -> list[Outside]:
    """Published columns: a physics reference's wire table after Floyd, and a calculator site."""
    published = "physics reference's wire table (Floyd), calculator site"
    ohms = {
        10: 3.28,
        12: 5.21,
        14: 8.28,
        16: 13.17,
        18: 20.94,
        20: 33.29,
        22: 52.94,
        24: 84.20,
        26: 133.86,
        28: 212.87,
    }
    found = [
        Outside(
            f"AWG {gauge}, 20 °C",
            published,
            ohm,
            "ohm/km",
            0.005 * ohm,
            V,
            lambda gauge: wire.ohm_per_km(wire.gauge_mm2(gauge)),
            (gauge,),
        )
        for gauge, ohm in ohms.items()
    ]
    found += [
        Outside(
            f"AWG {gauge} solid, 75 °C",
            "NEC chapter 9 table 8 (code copy)",
            per_kft * KFT_PER_KM,
            "ohm/km",
            0.005 * per_kft * KFT_PER_KM,
            V,
            lambda gauge: wire.ohm_per_km(wire.gauge_mm2(gauge), 75),
            (gauge,),
        )
        for gauge, per_kft in {18: 7.77, 16: 4.89, 14: 3.07, 12: 1.93, 10: 1.21}.items()
    ]
    found += [
        Outside(
            f"largest fuse, AWG {gauge}",
            "NEC 240.4(D), as a trade site prints it",
            amps,
            "A",
            0,
            V,
            lambda gauge: wire.largest_fuse_a(wire.gauge_mm2(gauge)),
            (gauge,),
        )
        for gauge, amps in {18: 7, 16: 10, 14: 15, 12: 20, 10: 30}.items()
    ]
    return [
        *found,
        Outside(
            "AWG 12 area", "calculator site", 3.31, "mm2", 0.005, V, lambda: wire.gauge_mm2(12)
        ),
        Outside(
            "drop, 2 A over 5 m of AWG 18, out and back",
            "formula",
            0.419,
            "V",
            0.001,
            A,
            lambda: wire.drop_v(5, wire.gauge_mm2(18), 2),
        ),
        Outside(
            "drop, 2 A over 5 m of AWG 22",
            "formula",
            1.059,
            "V",
            0.001,
            A,
            lambda: wire.drop_v(5, wire.gauge_mm2(22), 2),
        ),
        Outside(
            "fuse over a continuous load",
            "load at most 80 % of the fuse (weak page)",
            1.25,
            "A per A",
            0,
            V,
            lambda: wire.least_fuse_a(1),
        ),
    ]


def _packs() -> list[Outside]:
    library = "pybamm 26.10.1.1, parameter set "
    lithium = [
        ("lipo", "Ai2020", 50, 3792.5),
        ("lipo", "Ai2020", 20, 3695.4),
        ("nmc", "Chen2020", 30, 3581.4),
        ("nmc", "Chen2020", 80, 4042.1),
        ("nca", "NCA_Kim2011", 50, 3684.6),
        ("lfp", "Prada2013", 45, 3262.1),
        ("lfp", "Prada2013", 70, 3274.0),
    ]
    found = [
        Outside(
            f"{chemistry} cell at rest, {percent} %",
            library + name,
            mv,
            "mV",
            2,
            L,
            lambda c, p: float(pack.open_circuit_mv(c, 1, p) or 0),
            (
                chemistry,
                percent,
            ),
        )
        for chemistry, name, percent, mv in lithium
    ]
    lead = [
        ("generic flooded, mailing list", 100, 12.6),
        ("generic flooded, mailing list", 50, 12.2),
        ("generic flooded, mailing list", 25, 12.0),
        ("AGM chart, private page", 80, 12.5),
        ("AGM chart, private page", 50, 12.1),
        ("AGM vehicle owner's manual, lower edge", 75, 12.6),
        ("AGM vehicle owner's manual, lower edge", 50, 12.3),
        ("AGM vehicle owner's manual, lower edge", 25, 12.0),
    ]
    found += [
        Outside(
            f"12 V lead-acid at rest, {percent} %",
            source,
            volts,
            "V",
            0.2 if "AGM" in source else 0.1,
            V,
            lambda p: (pack.open_circuit_mv("lead-acid", 6, p) or 0) / 1000,
            (percent,),
        )
        for source, percent, volts in lead
    ]
    found += [
        Outside(
            f"12 V lead-acid at rest, {percent} %",
            "battery maker's guide",
            volts,
            "V",
            0.3,  # printed tables differ by up to 0.5 V at 25 %
            M,
            lambda p: (pack.open_circuit_mv("lead-acid", 6, p) or 0) / 1000,
            (percent,),
        )
        for percent, volts in {100: 12.73, 80: 12.50, 60: 12.24, 40: 11.96, 20: 11.66}.items()
    ]
    return [
        *found,
        Outside(
            "LCO cell, 0.09 V of sag at 50 % reads as",
            "practice, on the LCO table",
            22,
            "%",
            1,
            A,
            lambda: float(pack.charge_percent("lipo", 1, 3792 - 90) or 0),
        ),
        Outside(
            "NiMH nominal",
            "button cell handbook p. 49",
            1.2,
            "V",
            0,
            V,
            lambda: pack.cell_volts("nimh").nominal,
        ),
        Outside(
            "alkaline fresh",
            "battery review site",
            1.6,
            "V",
            0.02,
            V,
            lambda: pack.cell_volts("alkaline").full,
        ),
    ]


def _capacity() -> list[Outside]:
    sheets = {
        "A": (3000, 2700, 1650, 1250),
        "B": (3125, 2900, 1900, 1400),
        "C": (3000, 2450, 1375, 1000),
        "D": (3000, 2600, 1600, 1000),
    }
    found = [
        Outside(
            f"alkaline AA, maker {maker}, {ma} mA",
            "makers' data sheets, read off by a third party",
            mah,
            "mAh",
            0.2 * mah,
            V,
            lambda ma, full: full * capacity.alkaline_share(ma, full).at,
            (
                ma,
                rows[0],
            ),
        )
        for maker, rows in sheets.items()
        for ma, mah in zip((25, 100, 500, 1000), rows, strict=True)
    ]
    found += [
        Outside(
            f"lead-acid capacity at {celsius} °C",
            "battery maker's table, over 60 min",
            percent,
            "%",
            0.5,
            V,
            lambda c: 100 * capacity.cold_share("lead-acid", c).at,
            (celsius,),
        )
        for celsius, percent in {0: 84, 5: 88, 10: 90, 15: 94, 20: 99, 25: 100}.items()
    ]
    found += [
        Outside(
            f"{chemistry} capacity at 0 °C",
            "common practice",
            share,
            "%",
            15,
            P,
            lambda c: 100 * capacity.cold_share(c, 0).at,
            (chemistry,),
        )
        for chemistry, share in {"lipo": 80, "lead-acid": 80, "nimh": 80, "alkaline": 50}.items()
    ]
    return [
        *found,
        Outside(
            "alkaline capacity at 0 °C",
            "battery article (weak)",
            50,
            "%",
            15,
            V,
            lambda: 100 * capacity.cold_share("alkaline", 0).at,
        ),
        Outside(
            "Peukert: 120 Ah at 20 h, k 1.4, 120 A",
            "tutoring page",
            0.30,
            "h",
            0.005,
            V,
            lambda: capacity.peukert_hours(120, 20, 120, 1.4),
        ),
        Outside(
            "Peukert: 100 Ah at 20 h, 5 A",
            "definition of the rating",
            20,
            "h",
            1e-9,
            A,
            lambda: capacity.peukert_hours(100, 20, 5, 1.2),
        ),
        Outside(
            "Peukert: 100 Ah at 20 h, k 1.2, 10 A",
            "formula",
            8.71,
            "h",
            0.005,
            A,
            lambda: capacity.peukert_hours(100, 20, 10, 1.2),
        ),
        Outside(
            "Peukert's k of 20 h at 5 A and 7.5 h at 10 A",
            "battery shop's article",
            1.415,
            "",
            0.02,
            V,
            lambda: capacity.peukert_exponent((20, 7.5), (5, 10)),
        ),
        Outside(
            "sag at 0 °C", "common practice", 2, "times", 0.5, M, lambda: capacity.sag_factor(0).at
        ),
        Outside(
            "mean of 80 mA and 1.2 A for 8 s a minute",
            "formula",
            0.2293,
            "A",
            1e-4,
            A,
            lambda: runtime.Turn(52, (runtime.Play(1, 8, 1120),)).mean_mah() * 60 / 1000 + 0.08,
        ),
    ]


def _power() -> list[Outside]:
    l298, m05 = DRIVERS["l298"], REGULATORS["78m05"]
    return [
        Outside(
            "L298, both transistors at 1 A, least",
            "data sheet, quoted in a forum",
            1.8,
            "V",
            0,
            V,
            lambda: drivers.bridge_drop_v(l298, 1).low,
        ),
        Outside(
            "L298, both transistors at 1 A, most",
            "data sheet, quoted in a forum",
            3.2,
            "V",
            0,
            V,
            lambda: drivers.bridge_drop_v(l298, 1).high,
        ),
        Outside(
            "L298, both transistors at 2 A, most",
            "data sheet",
            4.9,
            "V",
            0,
            M,
            lambda: drivers.bridge_drop_v(l298, 2).high,
        ),
        Outside(
            "L298, most current",
            "data sheet, January 2000",
            2,
            "A",
            0,
            V,
            lambda: l298.amps or 0,
        ),
        Outside(
            "L298, junction to air",
            "data sheet, January 2000",
            35,
            "K/W",
            0,
            V,
            lambda: l298.k_per_w or 0,
        ),
        Outside(
            "DRV8833, both switches at 1 A",
            "TI SLVSAR1B",
            0.36,
            "V",
            0,
            V,
            lambda: drivers.bridge_drop_v(DRIVERS["drv8833"], 1).at,
        ),
        Outside(
            "TB6612FNG, both switches at 1 A",
            "Toshiba data sheet",
            0.5,
            "V",
            0,
            V,
            lambda: drivers.bridge_drop_v(DRIVERS["tb6612fng"], 1).at,
        ),
        Outside(
            "TB6612FNG, both switches at 1 A, most",
            "Toshiba data sheet p. 4",
            0.7,
            "V",
            0,
            M,
            lambda: drivers.bridge_drop_v(DRIVERS["tb6612fng"], 1).high,
        ),
        Outside(
            "DRV8870, both switches at 1 A",
            "TI data sheet",
            0.565,
            "V",
            0,
            V,
            lambda: drivers.bridge_drop_v(DRIVERS["drv8870"], 1).at,
        ),
        Outside(
            "7.4 V through a bipolar bridge leave",
            "common practice, no source",
            5.0,
            "V",
            0.3,
            P,
            lambda: drivers.motor_volts(Band.exact(7.4), l298, 1).at,
        ),
        Outside(
            "6.0 V through an L298 at 1 A leave, least",
            "data sheet figures",
            2.8,
            "V",
            1e-9,
            A,
            lambda: drivers.motor_volts(Band.exact(6), l298, 1).low,
        ),
        Outside(
            "a carrier for 6.5 to 16 V that failed at 15 V is warned of from",
            "common practice, no source",
            14,
            "V",
            1,
            P,
            lambda: drivers.highest_safe_v(None, 16) or 0,
        ),
        Outside(
            "5 V from 12 V at 0.3 A turn into heat",
            "formula",
            2.1,
            "W",
            1e-9,
            A,
            lambda: regulators.heat_w(regulators.Regulator("ideal", 5), 12, 300).at,
        ),
        Outside(
            "the same on a D-PAK of 92 K/W, quiescent current included",
            "Fairchild MC78M05 rev 1.0.8",
            193 + 6.6,
            "K",
            1,
            V,
            lambda: (regulators.rise_k(m05, 12, 300) or Band.exact(0)).at,
        ),
        Outside(
            "78M05, volts above its output",
            "Taiwan Semiconductor TS78M05A",
            2.0,
            "V",
            0,
            V,
            lambda: m05.dropout_v or 0,
        ),
        Outside(
            "inner resistance from 12.6 V and 12.0 V at 3 A",
            "formula",
            0.2,
            "ohm",
            1e-9,
            A,
            lambda: sag.measured_ohm(12.6, 12.0, 3),
        ),
    ]


def _sound() -> list[Outside]:
    sums = [
        ("sound calculator site; acoustics 0.2.6", (60, 60), 63.0103),
        ("answer site; acoustics 0.2.6", (62, 73), 73.3320),
        ("lecture slides; acoustics 0.2.6", (80, 85), 86.1933),
        ("lecture slides", (80, 80), 83.0103),
    ]
    found = [
        Outside(
            f"{one} + {other} dBA",
            source,
            printed,
            "dBA",
            1e-4,
            V,
            lambda pair: sound.sum_of([float(each) for each in pair]),
            ((one, other),),
        )
        for source, (one, other), printed in sums
    ]
    found += [
        Outside(
            f"{one} + {other} dBA in phase",
            "lecture slides",
            printed,
            "dBA",
            0.05,
            V,
            lambda pair: sound.coherent_sum_of([float(each) for each in pair]),
            ((one, other),),
        )
        for (one, other), printed in {(80, 80): 86.02, (80, 85): 88.9}.items()
    ]
    found += [
        Outside(
            f"Adiv at {distance} m, less that at 1 m",
            "ISO 9613-2:1996 7.1, quoted in a noise manual",
            adiv - 11.0,
            "dB",
            0.02,
            V,
            lambda d: 80 - sound.level_at(80, d),
            (distance,),
        )
        for distance, adiv in {1: 11.0, 2: 17.02, 10: 31.0, 20: 37.02, 50: 44.98, 100: 51.0}.items()
    ]
    found += [
        Outside(
            f"hours a day at {level} dBA",
            "NIOSH REL table (CDC page)",
            minutes / 60,
            "h",
            1e-9,
            V,
            lambda db: sound.hearing_minutes(db) / 60,
            (level,),
        )
        for level, minutes in {85: 480, 88: 240, 91: 120, 94: 60, 97: 30, 100: 15}.items()
    ]
    return [
        *found,
        Outside(
            "90 dB at 1 W, driven with 32 W",
            "public address page",
            105,
            "dB",
            0.1,
            V,
            lambda: sound.speaker_level(90, 32).at,
        ),
        Outside(
            "85 dB at 1 W, driven with 100 W",
            "level calculator's example",
            105,
            "dB",
            1e-9,
            V,
            lambda: sound.speaker_level(85, 100).at,
        ),
        Outside(
            "99 dB at 1 m, heard at 10 m",
            "public address page",
            79,
            "dB",
            1e-9,
            V,
            lambda: sound.level_at(99, 10),
        ),
        Outside(
            "two drivers of 5 W, 86 dB: gain over one at 1 W",
            "formula: 10 lg 5 + 10 lg 2",
            10.0,
            "dB",
            1e-9,
            A,
            lambda: sound.speaker_level(86, 5, 2).at - 86,
        ),
        Outside(
            "two 8 ohm drivers in parallel",
            "formula",
            4,
            "ohm",
            0,
            A,
            lambda: sound.load_ohm(2, 8, "parallel"),
        ),
    ]


def _light_and_time() -> list[Outside]:
    return [
        Outside(
            "flashes a second allowed",
            "WCAG 2.x success criterion 2.3.1",
            3,
            "/s",
            0,
            V,
            lambda: float(flash.SCREEN_LIMIT),
        ),
        Outside(
            "flashes a second at a venue",
            "UK HSE, as an epilepsy charity quotes it",
            4,
            "/s",
            0,
            V,
            lambda: float(flash.VENUE_LIMIT),
        ),
        Outside(
            "a 3 Hz train in the worst half-open second",
            "formula",
            3,
            "/s",
            0,
            A,
            lambda: float(flash.onsets_most(3000)),
        ),
        Outside(
            "two unsynchronised 2 Hz trains",
            "formula; the overlap rule: epilepsy charity",
            4,
            "/s",
            0,
            A,
            lambda: float(flash.together_most([2000, 2000])),
        ),
        Outside(
            "rest after 10 min at S3 25 %",
            "industrial supplier's article",
            30,
            "min",
            1e-9,
            V,
            lambda: duty.least_rest_s(600, 0.25) / 60,
        ),
        Outside(
            "cycle that S3 is judged over",
            "IEC 60034-1",
            10,
            "min",
            0,
            M,
            lambda: duty.WINDOW_S / 60,
        ),
        *(
            Outside(
                f"torque at S3 {percent} %",
                "motor maker's guide",
                factor,
                "times",
                0.01,
                V,
                lambda p: duty.torque_factor(p / 100),
                (percent,),
            )
            for percent, factor in {25: 2.0, 40: 1.58, 60: 1.29}.items()
        ),
        *(
            Outside(
                f"walking {feet} ft at {speed} ft/s, whole seconds",
                "MUTCD 2003 and 2009 4E, worked in a public discussion",
                printed,
                "s",
                0,
                V,
                lambda f, s: float(ceil(walking.delay_ms(f * FOOT_M, s * FOOT_M) / 1000)),
                (
                    feet,
                    speed,
                ),
            )
            for feet, speed, printed in ((130, 4.0, 33), (130, 3.5, 38), (190, 3.0, 64))
        ),
        Outside(
            "walking 90 ft at 3.5 ft/s",
            "public specification",
            25.7,
            "s",
            0.05,
            V,
            lambda: walking.delay_ms(90 * FOOT_M, 3.5 * FOOT_M) / 1000,
        ),
        Outside(
            "5 m in the dark, quickest",
            "common practice, no source",
            4,
            "s",
            0.3,
            P,
            lambda: walking.delay_band_s(5, 0.8).low,
        ),
        Outside(
            "5 m in the dark, slowest",
            "common practice, no source",
            10,
            "s",
            0.1,
            P,
            lambda: walking.delay_band_s(5, 0.8).high,
        ),
        *(
            Outside(
                f"share that finds a prop busy, n tau = {load}",
                "Erlang B, one server (erlanglib 1.2.0)",
                busy,
                "",
                1e-6,
                L,
                lambda a: 1 - runtime.starts_per_hour(60, a * 60) / 60,
                (load,),
            )
            for load, busy in {0.1: 0.090909, 0.5: 0.333333, 1.0: 0.5, 2.0: 0.666667}.items()
        ),
        Outside(
            "leakage to warn at, 30 mA device",
            "common practice",
            9,
            "mA",
            1e-9,
            P,
            lambda: mains.leakage_limit_ma(30),
        ),
        Outside(
            "leakage to warn at, 5 mA device",
            "common practice",
            2.5,
            "mA",
            1e-9,
            P,
            lambda: mains.leakage_limit_ma(5),
        ),
    ]


CHECKS = [
    *_packs(),
    *_capacity(),
    *_power(),
    *_wire(),
    *_sound(),
    *_light_and_time(),
]
