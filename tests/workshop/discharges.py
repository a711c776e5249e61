"""Packs that are emptied on paper: published voltage curves, uneven evenings, a cheap meter.

The curves are the cells' own; what the tool sees is their voltage through its tables.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from haunt.core.calendar import HOUR_MS
from haunt.core.dice import draw
from haunt.workshop.forecast import Rate, Reading, Trail
from haunt.workshop.pack import charge_band, charge_percent

TABLES = json.loads((Path(__file__).parent / "data" / "open_circuit.json").read_text())
STEP_MS = 20_000
NIGHT_H = 4.0
STEEP = 12.0

Curve = tuple[tuple[float, float], ...]


def _library(name: str) -> Curve:
    """pybamm 26.10.1.1, open circuit."""
    return tuple((float(percent), 1000 * volts) for percent, volts in TABLES[name].items())


def _tens(*microvolts: int) -> Curve:
    return tuple((10.0 * n, each / 1000) for n, each in enumerate(microvolts))


# A maker's discharge curve at 0.2 C, digitised in a public source file (share taken, volts).
_LIR18650: Curve = tuple(
    (100 * (1 - taken), 1000 * volts)
    for taken, volts in reversed(
        (
            (0, 4.1642), (0.0864, 4.0477), (0.2006, 3.9417), (0.4012, 3.8146), (0.5, 3.7722),
            (0.7377, 3.698), (0.8519, 3.645), (0.8951, 3.6238), (0.9259, 3.6132),
            (0.9475, 3.5603), (0.963, 3.5073), (0.9784, 3.3801), (0.9907, 3.2848), (1, 3.0834),
        )
    )
)  # fmt: skip


class Cell(NamedTuple):
    """`seen_as` is the chemistry that the show file names; `series` cells in a row."""

    name: str
    source: str
    seen_as: str
    series: int
    curve: Curve


CELLS = (
    Cell("LCO pouch", "pybamm Ai2020", "lipo", 2, _library("Ai2020")),
    Cell("another LCO pouch", "pybamm Marquis2019", "lipo", 2, _library("Marquis2019")),
    Cell("NMC 21700", "pybamm Chen2020", "li-ion", 2, _library("Chen2020")),
    Cell("NCA", "pybamm NCA_Kim2011", "nca", 2, _library("NCA_Kim2011")),
    Cell("18650, data sheet at 0.2 C", "maker's curve, digitised", "li-ion", 2, _LIR18650),
    Cell(
        "18650 of NCA, data sheet",
        "a sensor firmware's table drawn from the maker's data sheet",
        "nca",
        2,
        _tens(
            2502000, 3146000, 3372000, 3449000, 3532000, 3602000, 3680000, 3764000, 3842000,
            3936000, 4032000,
        ),
    ),
    Cell(
        "12 V AGM",
        "a chart of rest voltages; 10 and 0 % by its slope",
        "lead-acid",
        6,
        tuple(
            (percent, mv / 6)
            for percent, mv in (
                (0, 11_500), (10, 11_600), (20, 11_700), (30, 11_800), (50, 12_100), (70, 12_300),
                (80, 12_500), (100, 12_700),
            )
        ),
    ),
)  # fmt: skip
FLAT = (
    Cell("LFP", "pybamm Prada2013", "lifepo4", 4, _library("Prada2013")),
    Cell(
        "LFP 18650, data sheet",
        "a sensor firmware's table drawn from the maker's data sheet",
        "lifepo4",
        4,
        _tens(
            2013000, 3068000, 3159000, 3194000, 3210000, 3221000, 3229000, 3246000, 3256000,
            3262000, 3348000,
        ),
    ),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Watched:
    """One pack at one instant of its night, and what it truly had left at the end."""

    cell: Cell
    hours: float
    prior: Rate
    readings: list[Reading]
    now_ms: int
    until_ms: int
    off_points: float
    now_percent: float
    end_percent: float


def _chance(seed: int, name: str) -> float:
    return draw(seed, name, 1 << 20) / (1 << 20)


def evenings(cells: tuple[Cell, ...], seeds: range, hours: tuple[float, ...]) -> Iterator[Watched]:
    for cell in cells:
        for seed in seeds:
            yield from _evening(cell, seed, hours)


def _evening(cell: Cell, seed: int, hours: tuple[float, ...]) -> Iterator[Watched]:
    """A pack that is expected to use so much, and uses what its visitors make of it."""
    expected = 8 + 22 * _chance(seed, "expected")
    prior = Rate(expected, 0.25 * expected)
    # Wrong by a quarter, one standard deviation: the sum of three draws is near enough normal.
    wrong = 1 + 0.25 * 2 * (sum(_chance(seed, f"wrong {n}") for n in range(3)) - 1.5)
    busy = [0.5 + _chance(seed, f"busy {n}") for n in range(int(NIGHT_H))]
    charge = 100 - 15 * _chance(seed, "start")
    trail, percents, watched = Trail(), [charge], []
    for step in range(int(NIGHT_H * HOUR_MS / STEP_MS)):
        at_ms = step * STEP_MS
        plays = _chance(seed, f"plays {step}") < 0.3
        share = 0.5 + 0.5 * busy[at_ms // HOUR_MS]
        charge = max(0.0, charge - expected * wrong * share * STEP_MS / HOUR_MS)
        percents.append(charge)
        trail_mv = _millivolts(cell, charge, seed, step, plays=plays)
        percent = charge_percent(cell.seen_as, cell.series, trail_mv)
        assert percent is not None
        trail.add(at_ms, percent)
        if (at_ms + STEP_MS) / HOUR_MS in hours:
            band = charge_band(cell.seen_as, cell.series, trail_mv)
            assert band is not None
            off = max(band.high - band.at, band.at - band.low)
            watched.append((at_ms + STEP_MS, trail.readings(), off, charge))
    for now_ms, readings, off, now_percent in watched:
        yield Watched(
            cell,
            now_ms / HOUR_MS,
            prior,
            readings,
            now_ms,
            int(NIGHT_H * HOUR_MS),
            off,
            now_percent,
            percents[-1],
        )


def _millivolts(cell: Cell, charge: float, seed: int, step: int, *, plays: bool) -> int:
    """At rest, or 3 % lower while something plays; a meter of 10 mV a step that is off by some."""
    at = next(n for n, (percent, _) in enumerate(cell.curve) if percent >= charge)
    low, high = cell.curve[max(0, at - 1)], cell.curve[at]
    inside = 0.0 if high == low else (charge - low[0]) / (high[0] - low[0])
    mv = (low[1] + inside * (high[1] - low[1])) * cell.series
    noise = 40 * (_chance(seed, f"noise {step}") - 0.5)
    return round((mv * (0.97 if plays else 1.0) + noise) / 10) * 10
