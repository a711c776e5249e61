"""The tables of a show file about electricity: circuits, supplies, packs, and parts by data sheet.

`None` means left out. Nothing is summed here, and no part is known by its name.
"""

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from haunt.wire.showtypes import (
    Amount,
    Distance,
    NewId,
    Number,
    Positive,
    Ref,
    Table,
    Word,
)

Chemistry = Literal[
    "lipo", "li-ion", "lco", "nmc", "nca", "lifepo4", "lfp", "nimh", "alkaline", "lead-acid"
]
RegulatorKind = Literal["linear", "switching"]
DriverKind = Literal["bipolar", "mosfet"]
Rail = Literal["pack", "logic"]
Wiring = Literal["parallel", "series"]


def _lower(word: object) -> object:
    return word.lower() if isinstance(word, str) else word


class Circuit(Table):
    """`gfci`: behind a ground-fault device; `gfci_ma`: the current at which it trips.

    `other_w` is what else hangs on it; `controller`: the controller or access point does.
    """

    id: NewId
    volts: Positive | None = None
    breaker_a: Positive | None = None
    gfci: bool | None = None
    gfci_ma: Positive | None = None
    other_w: Amount | None = None
    controller: bool | None = None
    wet: bool | None = None


class Supply(Table):
    """`kind` is a free word; `air` is a compressor and tank, `fog` a fogger. `load_w`: at mains."""

    id: NewId
    kind: Word = "dc"
    circuit: Ref | None = None
    volts: Positive | None = None
    limit_a: Positive | None = None
    fuse_a: Positive | None = None
    load_w: Amount | None = None


class Regulator(Table):
    """A part by its data sheet, for boards that name it. `theta_k_w` without a heat sink."""

    id: Word
    kind: RegulatorKind = "linear"
    output_v: Positive
    input_min_v: Positive | None = None
    input_max_v: Positive | None = None
    limit_ma: Positive | None = None
    dropout_v: Amount | None = None
    theta_k_w: Positive | None = None


class Driver(Table):
    """A part by its data sheet. Bipolar: `drop_v` at its `limit_a`; MOSFET: `ohm` of both ways."""

    id: Word
    kind: DriverKind = "mosfet"
    input_min_v: Positive | None = None
    input_max_v: Positive | None = None
    limit_a: Positive | None = None
    peak_a: Positive | None = None
    drop_v: Amount | None = None
    ohm: Amount | None = None
    theta_k_w: Positive | None = None


class Wire(Table):
    """From the pack or supply to the board: the run, not out and back; `awg` or `area_mm2`."""

    length_m: Distance
    awg: Annotated[int, Field(ge=0, le=30)] | None = None
    area_mm2: Positive | None = None


class Battery(Table):
    """`capacity_mah` of one cell as printed, `measured_mah` as found; `series` counts cells.

    `rate_h` is the hours the capacity was rated at (lead-acid), `resistance_mohm` the whole pack's.
    """

    chemistry: Annotated[Chemistry, BeforeValidator(_lower)]
    series: Annotated[int, Field(ge=1, le=100)] = 1
    parallel: Annotated[int, Field(ge=1, le=100)] = 1
    capacity_mah: Positive | None = None
    measured_mah: Positive | None = None
    rate_h: Positive | None = None
    peukert: Annotated[Number, Field(ge=1, le=1.6)] | None = None
    resistance_mohm: Positive | None = None
    fuse_a: Positive | None = None


class Motor(Table):
    """`rail = "logic"`: it hangs on the supply of the microcontroller, not on the pack."""

    volts: Positive | None = None
    running_ma: Positive | None = None
    stall_ma: Positive | None = None
    rail: Rail = "pack"


class Speaker(Table):
    """Each driver's data; `amplifier_w` into `amplifier_ohm`, `sensitivity_db` at 1 W, 1 m."""

    watts: Positive | None = None
    ohms: Positive | None = None
    drivers: Annotated[int, Field(ge=1, le=64)] = 1
    wiring: Wiring = "parallel"
    sensitivity_db: Annotated[Number, Field(ge=60, le=120)] | None = None
    amplifier_w: Positive | None = None
    amplifier_ohm: Positive | None = None
