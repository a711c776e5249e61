"""The show file as the checks walk over it: tables with places, spots, and what feeds what."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from haunt.core.calendar import Sunset
from haunt.core.show import PropSpec, Show
from haunt.live.prepare import prepare
from haunt.study.places import Spot
from haunt.wire.showfile import ReadShow
from haunt.wire.showlines import Path
from haunt.wire.showmodels import Behaviour, Board, Prop, ShowFile
from haunt.wire.showpower import Battery, Circuit, Regulator, Supply, Wire
from haunt.workshop import drivers, regulators, wire
from haunt.workshop.band import Band
from haunt.workshop.capacity import COLDEST_C, WARMEST_C, sag_factor
from haunt.workshop.pack import cell_volts, open_circuit_mv
from haunt.workshop.sag import typical_ohm

ASSUMED_LOW_C = 5.0
LATE_PERCENT = Band(20, 10, 40)
"""Charge of a pack late in the evening, when sag hurts: an assumption."""
FIVE_V_MOST = 5.5


@dataclass(frozen=True, slots=True)
class Source:
    """What feeds a board, in V: at its nominal, drained, fresh from the charger; late at rest."""

    nominal: float
    low: float
    full: float
    late: Band
    path: Path
    is_pack: bool


class Ground:
    """One show file. `sunset` lets nights open by the sun."""

    def __init__(self, read: ReadShow, sunset: Sunset) -> None:
        self.read, self.sunset = read, sunset
        self.show: ShowFile = read.show

    @cached_property
    def boards(self) -> dict[str, Board]:
        return {each.id: each for each in self.show.boards}

    @cached_property
    def supplies(self) -> dict[str, Supply]:
        return {each.id: each for each in self.show.supplies}

    @cached_property
    def prepared(self) -> Show:
        return prepare(self.show).show

    @cached_property
    def ruled(self) -> dict[str, PropSpec]:
        """Props as the rules of a night take them, by id."""
        return {each.id: each for each in self.prepared.props}

    @cached_property
    def linked(self) -> frozenset[str]:
        """Props that some sensor sets off."""
        return frozenset(each.prop for each in self.show.links)

    @cached_property
    def _numbers(self) -> dict[tuple[str, str], int]:
        tables: dict[str, Sequence[Board | Prop | Supply | Circuit]] = {
            "board": self.show.boards,
            "prop": self.show.props,
            "supply": self.show.supplies,
            "circuit": self.show.circuits,
        }
        return {
            (kind, each.id): number
            for kind, rows in tables.items()
            for number, each in enumerate(rows)
        }

    @cached_property
    def _props_of(self) -> dict[str, list[Prop]]:
        found: dict[str, list[Prop]] = {each.id: [] for each in self.show.boards}
        for prop in self.show.props:
            found[prop.board].append(prop)
        return found

    def path(self, kind: str, name: str, *more: str | int) -> Path:
        """Where a key of a table stands: `path("board", "gate", "pins", "arm")`."""
        return (kind, self._numbers[kind, name], *more)

    def props_of(self, board: Board) -> list[Prop]:
        return self._props_of[board.id]

    def moving(self, board: Board) -> list[Prop]:
        """Props with a motor, said so or by a behaviour that runs one."""
        return [
            each
            for each in self.props_of(board)
            if each.motor is not None or any(b.motor_on_ms for b in each.behaviours)
        ]

    def behaviours(self) -> Iterator[tuple[Prop, int, Behaviour]]:
        for prop in self.show.props:
            for number, behaviour in enumerate(prop.behaviours):
                yield prop, number, behaviour

    def spot(self, prop: Prop) -> Spot | None:
        """Where a prop stands; one without its own place stands at its board."""
        for each in (prop, self.boards[prop.board]):
            if each.x_m is not None and each.y_m is not None:
                return each.x_m, each.y_m
        return None

    @property
    def low_c(self) -> float:
        found = self.show.info.night_low_c
        return ASSUMED_LOW_C if found is None else found

    def source(self, board: Board) -> Source | None:
        """What feeds a board; None where nobody said, or its volts are not known."""
        if board.battery is not None:
            return self._pack(board, board.battery)
        supply = self.supplies.get(board.supply or "")
        if supply is None or supply.volts is None:
            return None
        volts = supply.volts
        path = self.path("supply", supply.id)
        return Source(volts, volts, volts, Band.exact(volts), path, is_pack=False)

    def _pack(self, board: Board, battery: Battery) -> Source:
        cell = cell_volts(battery.chemistry)
        series = battery.series
        late = [
            (open_circuit_mv(battery.chemistry, series, percent) or 1000 * cell.nominal * series)
            / 1000
            for percent in (LATE_PERCENT.at, LATE_PERCENT.low, LATE_PERCENT.high)
        ]
        return Source(
            cell.nominal * series,
            cell.empty * series,
            cell.full * series,
            Band(*late),
            self.path("board", board.id, "battery"),
            is_pack=True,
        )

    def source_ohm(self, board: Board) -> Band | None:
        """The pack's inner resistance in the night's cold; 0 for a supply; None: not known."""
        battery = board.battery
        if battery is None:
            return Band.exact(0.0)
        colder = sag_factor(min(WARMEST_C, max(COLDEST_C, self.low_c)))
        if battery.resistance_mohm is not None:
            return Band.within(battery.resistance_mohm / 1000, 0.1).times(colder)
        cell_mah = battery.measured_mah or battery.capacity_mah
        if cell_mah is None:
            return None
        typical = typical_ohm(battery.chemistry, battery.series, battery.parallel, cell_mah)
        return typical.times(colder)

    def regulator(self, board: Board) -> regulators.Regulator | None:
        """The file's own figures first, then the part of that name in the workshop."""
        if board.regulator is None:
            return None
        for each in self.show.regulators:
            if each.id == board.regulator:
                return _regulator(each)
        return regulators.regulator_of(board.regulator)

    def driver(self, board: Board) -> drivers.Driver | None:
        if board.driver is None:
            return None
        for each in self.show.drivers:
            if each.id == board.driver:
                top = each.limit_a or 1.0
                drop = each.drop_v
                return drivers.Driver(
                    each.id,
                    None,
                    each.input_max_v,
                    each.limit_a,
                    each.peak_a,
                    Band(each.ohm, each.ohm, each.ohm * drivers.HOT)
                    if each.ohm is not None and each.kind == "mosfet"
                    else None,
                    ((0.0, drop / 2, drop / 2, drop), (top, drop / 2, drop, drop))
                    if drop is not None and each.kind == "bipolar"
                    else (),
                    each.theta_k_w,
                )
        return drivers.driver_of(board.driver)


def _regulator(of: Regulator) -> regulators.Regulator:
    return regulators.Regulator(
        of.id,
        of.output_v,
        of.kind == "linear",
        None,
        of.input_max_v,
        of.limit_ma,
        of.dropout_v
        if of.dropout_v is not None
        else (of.input_min_v - of.output_v if of.input_min_v is not None else None),
        of.theta_k_w,
    )


def wire_mm2(of: Wire) -> float | None:
    """As it is given, or of its gauge; None where neither is."""
    if of.area_mm2 is not None:
        return of.area_mm2
    return None if of.awg is None else wire.gauge_mm2(of.awg)


def wire_ohm(board: Board) -> Band | None:
    """Out and back, from a cold night to a warm conductor; None where it was not given."""
    area_mm2 = None if board.wire is None else wire_mm2(board.wire)
    if board.wire is None or area_mm2 is None:
        return None
    cold, plain, warm = (wire.run_ohm(board.wire.length_m, area_mm2, c) for c in (0.0, 20.0, 60.0))
    return Band(plain, cold, warm)


def peak_ma(behaviour: Behaviour) -> float | None:
    """The strongest moment; the mean where only that is known."""
    return behaviour.peak_ma if behaviour.peak_ma is not None else behaviour.average_ma
