"""Published values of packs: rest voltages, charges, capacities."""

from functools import partial

from haunt.workshop import capacity, pack
from tests.outside.rows import Proof, Row
from tests.workshop.curves import SETS, TABLES

V, L, A, M = Proof.VERIFIED, Proof.LIBRARY, Proof.ARITHMETIC, Proof.MEMORY

LEAD_CHARGES = (
    *((12_600, 100), (12_400, 75), (12_200, 50), (12_000, 25), (11_600, 0)),
    *((12_700, 100), (12_500, 80), (12_300, 70), (12_100, 50), (11_800, 30), (11_700, 20)),
    *((12_500, 75), (12_000, 50), (11_500, 25)),
)
LEAD_FROM_MEMORY = (
    *((12_730, 100), (12_620, 90), (12_500, 80), (12_370, 70), (12_240, 60)),
    *((12_100, 50), (11_960, 40), (11_810, 30), (11_660, 20), (11_510, 10)),
)
"""Millivolts of a 12 V battery at rest, and percent."""


def _outside_band(rest_mv: int, percent: float) -> float:
    band = pack.charge_band("lead-acid", 6, rest_mv)
    assert band is not None
    return max(band.low - percent, percent - band.high, 0.0)


def _lead_v(percent: float) -> float:
    return (pack.open_circuit_mv("lead-acid", 6, percent) or 0) / 1000


def _cell_mv(chemistry: str, percent: int) -> float:
    return float(pack.open_circuit_mv(chemistry, 1, percent) or 0)


_CURVES = [
    Row(
        f"rest/{chemistry}",
        f"{chemistry} cell at rest, 0 to 100 % in steps of 5",
        f"pybamm 26.10.1.1, parameter set {name}",
        L,
        2,
        "mV",
        tuple((int(percent), 1000 * volts) for percent, volts in TABLES[name].items()),
        partial(_cell_mv, chemistry),
    )
    for chemistry, name in SETS.items()
]
ROWS = [
    *_CURVES,
    Row(
        "rest/lead-generic",
        "12 V lead-acid at rest, 75 and 0 %",
        "generic flooded, mailing list",
        V,
        0.1,
        "V",
        ((75, 12.4), (0, 11.6)),
        _lead_v,
    ),
    Row(
        "rest/lead-maker-full",
        "12 V flooded deep-cycle, full",
        "a maker's value, quoted on the same list",
        V,
        0.15,
        "V",
        ((100, 12.73),),
        _lead_v,
    ),
    Row(
        "rest/lead-agm",
        "12 V lead-acid at rest, 100, 70, 30 and 20 %",
        "AGM chart, private page",
        V,
        0.25,  # half of what printed tables differ by
        "V",
        ((100, 12.7), (70, 12.3), (30, 11.8), (20, 11.7)),
        _lead_v,
    ),
    Row(
        "rest/lead-agm-older",
        "12 V lead-acid at rest, 75, 50 and 25 % (the older of a maker's two tables)",
        "AGM vehicle owner's manual, older edition; its tables differ by 0.5 V",
        V,
        0.5,
        "V",
        ((75, 12.5), (50, 12.0), (25, 11.5)),
        _lead_v,
    ),
    Row(
        "charge/lead-band",
        "points by which printed charges lie outside the band that a rest voltage is given",
        "the generic rule, the AGM chart and the older manual above",
        V,
        0,
        "points",
        tuple((mv, percent, 0) for mv, percent in LEAD_CHARGES),
        _outside_band,
    ),
    Row(
        "charge/lead-band-more",
        "the same, of a battery maker's row of ten",
        "battery maker's guide, from memory",
        M,
        0,
        "points",
        tuple((mv, percent, 0) for mv, percent in LEAD_FROM_MEMORY),
        _outside_band,
    ),
    Row(
        "cell/nimh-empty",
        "NiMH, end of discharge: 1.2 to 0.9 V",
        "button cell handbook p. 49",
        V,
        0.15,
        "V",
        ((1.05,),),
        lambda: pack.cell_volts("nimh").empty,
    ),
    Row(
        "cell/nimh-full",
        "NiMH after charge",
        "button cell handbook p. 49",
        V,
        0,
        "V",
        ((1.45,),),
        lambda: pack.cell_volts("nimh").full,
    ),
    Row(
        "cell/alkaline-empty",
        "alkaline, where the makers' capacities end",
        "makers' data sheets, read off by a third party",
        V,
        0,
        "V",
        ((0.8,),),
        lambda: pack.cell_volts("alkaline").empty,
    ),
    Row(
        "cell/lead-empty",
        "12 V lead-acid, empty under the 20 h load",
        "battery monitor's manual",
        V,
        1e-9,
        "V",
        ((10.5,),),
        lambda: 6 * pack.cell_volts("lead-acid").empty,
    ),
    Row(
        "cell/lead-full",
        "12 V AGM, full: 12.8 to 13.2 V",
        "vehicle owner's manual",
        V,
        0.2 + 1e-9,
        "V",
        ((13.0,),),
        lambda: 6 * pack.cell_volts("lead-acid").full,
    ),
    Row(
        "capacity/alkaline-second",
        "alkaline AA at 50, 100, 250, 500 mA, of 2,900 mAh at 50 mA",
        "battery review site (interrupted duty)",
        V,
        0.2,
        "mAh",
        ((50, 2900), (100, 2700), (250, 2300), (500, 2000)),
        lambda ma: (
            2900 * capacity.alkaline_share(ma, 2900).at / capacity.alkaline_share(50, 2900).at
        ),
        is_share=True,
    ),
    Row(
        "peukert/flooded",
        "exponent of flooded cells",
        "battery monitor's manual, default",
        V,
        0,
        table=((1.25,),),
        ours=lambda: capacity.FLOODED_EXPONENT,
    ),
    Row(
        "peukert/sealed",
        "exponent of gel and AGM",
        "battery monitor's manual, default",
        V,
        0,
        table=((1.11,),),
        ours=lambda: capacity.SEALED_EXPONENT,
    ),
    Row(
        "peukert/one-ampere",
        "250 A^1.3 h at 20 A (a Peukert capacity, which is the rating at 1 A to the exponent)",
        "calculator site",
        V,
        1e-4,
        "h",
        ((5.0886,),),
        lambda: capacity.peukert_hours(250 ** (1 / 1.3), 1, 20, 1.3),
    ),
    Row(
        "peukert/traps",
        "100 Ah at 20 h and k 1.2: 5 A last 20 h (an article's 14.5 h takes it for 1 A)",
        "definition of the rating",
        A,
        1e-9,
        "h",
        ((20,),),
        lambda: capacity.peukert_hours(100, 20, 5, 1.2),
    ),
]
