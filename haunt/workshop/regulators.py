"""Regulators and the logic rail: heat, headroom, and whether a stalling motor restarts the board.

Volts, milliamperes, watts, kelvin a watt. A value out of range raises ValueError.
"""

from dataclasses import dataclass

from haunt.workshop.band import Band

HOTTEST_JUNCTION_C = 125.0
"""Where makers' operating ranges end; a plan stays below."""
BOX_C = 30.0
"""Air in a closed box on a mild evening: an assumption."""
SWITCHING_EFFICIENCY = Band(0.85, 0.75, 0.93)
"""Of small switching modules: common practice, no source."""


@dataclass(frozen=True, slots=True)
class Regulator:
    """`input_v` is the range the data sheet is good for, `limit_v` its absolute maximum."""

    name: str
    output_v: float
    linear: bool = True
    input_v: tuple[float, float] | None = None
    limit_v: float | None = None
    limit_ma: float | None = None
    dropout_v: float | None = None
    k_per_w: float | None = None
    quiescent_ma: float = 0.0


# 78M05: Fairchild MC78M05 rev 1.0.8 (0.5 A, 35 V, 92 and 66 K/W without a heat sink, 6 mA);
# 2.0 V above the output from Taiwan Semiconductor's TS78M05A.
REGULATORS = {
    each.name: each
    for each in (
        Regulator("78m05", 5.0, True, (7.0, 20.0), 35.0, 500.0, 2.0, 92.0, 6.0),
        Regulator("78m05-to220", 5.0, True, (7.0, 20.0), 35.0, 500.0, 2.0, 66.0, 6.0),
    )
}


def regulator_of(name: str) -> Regulator | None:
    return REGULATORS.get(name.strip().lower())


def heat_w(regulator: Regulator, input_v: float, load_ma: float) -> Band:
    """Linear: (Uin - Uout) I + Uin Iq. Switching: what its efficiency loses of the output."""
    if input_v < 0 or load_ma < 0:
        raise ValueError(f"{input_v} V, {load_ma} mA; allowed: 0 and more")
    if regulator.linear:
        over_v = max(0.0, input_v - regulator.output_v)
        return Band.exact((over_v * load_ma + input_v * regulator.quiescent_ma) / 1000)
    out_w = regulator.output_v * load_ma / 1000
    eff = SWITCHING_EFFICIENCY
    return Band(*(out_w * (1 / share - 1) for share in (eff.at, eff.high, eff.low)))


def rise_k(regulator: Regulator, input_v: float, load_ma: float) -> Band | None:
    """How much hotter than the air it gets without a heat sink; None for an unknown package."""
    if regulator.k_per_w is None:
        return None
    return heat_w(regulator, input_v, load_ma).scaled(regulator.k_per_w)


def headroom_v(regulator: Regulator, input_v: Band) -> Band | None:
    """Volts above what the regulator needs; below 0 the rail sinks. None where that is unknown."""
    if regulator.dropout_v is None:
        return None
    return input_v - Band.exact(regulator.output_v + regulator.dropout_v)


def spare_ma(limit_ma: float, *loads_ma: float) -> float:
    """What a rail has left when all its loads peak at once; below 0 it collapses."""
    if limit_ma < 0 or any(each < 0 for each in loads_ma):
        raise ValueError(f"{limit_ma} mA for {loads_ma} mA; allowed: 0 and more")
    return limit_ma - sum(loads_ma)


def stalled_input_v(
    source_v: Band, source_ohm: Band, wire_ohm: Band, stall_a: float, logic_a: float
) -> Band:
    """Volts at the logic's regulator while the motor stalls on the same pack."""
    if stall_a < 0 or logic_a < 0:
        raise ValueError(f"{stall_a} A, {logic_a} A; allowed: 0 and more")
    left = source_v - (source_ohm + wire_ohm).scaled(stall_a + logic_a)
    return Band(max(0.0, left.at), max(0.0, left.low), max(0.0, left.high))
