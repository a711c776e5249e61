"""What a board's own file says of its pins, sensors and props, as far as the show file knows it.

Owns the way from names of pins to the firmware's words; never makes up the number of a pin.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

from haunt.wire.showfile import read_show
from haunt.wire.showmodels import Behaviour, Board, Link, Prop, Sensor, ShowFile

Part = dict[str, object]
STOPPED: Final = "off"
CELL_FLOOR_MV: Final[Mapping[str, int]] = MappingProxyType(
    {
        **dict.fromkeys(("lipo", "li-ion", "lco", "nmc", "nca"), 3000),
        **dict.fromkeys(("lifepo4", "lfp"), 2500),
        "lead-acid": 1750,
        "nimh": 1000,
        "alkaline": 800,
    }
)
"""Where a board stops itself under load: the volts at which a cell counts as drained."""


class BoardParts(NamedTuple):
    """`pinless`: sensors and props that were left out, for no pin of theirs is known."""

    sensors: Mapping[str, Part] = MappingProxyType({})
    props: Mapping[str, Part] = MappingProxyType({})
    pinless: tuple[str, ...] = ()
    battery: Mapping[str, int] = MappingProxyType({})

    @property
    def words(self) -> str:
        """What is missing, and where to say it; empty where nothing is."""
        said = []
        if self.pinless:
            said.append(
                f"No pin is told for {', '.join(self.pinless)}: add it to the board's pins in the "
                "plan (by the id of a sensor, or any name for what a prop moves), and make the "
                "file anew."
            )
        if self.battery:
            said.append(
                "The board stops itself below its pack's floor once battery.pin and "
                "battery.divider are in its file: only you know the two resistors."
            )
        return " ".join(said)


def parts_of(text: str, board: str) -> BoardParts:
    """The parts of a board in a show file that holds; none where it names no such board."""
    show = read_show(text, "show").show
    found = next((each for each in show.boards if each.id == board), None)
    return board_parts(show, found) if found is not None else BoardParts()


def board_parts(show: ShowFile, board: Board) -> BoardParts:
    """A sensor's pin is named by its id or, where it is the only one, by its kind.

    What is left drives the props: a pin called `<prop>-…` or like the prop that one, any other the
    only prop of the board.
    """
    pins = {name: pin for name, pin in board.pins.items() if isinstance(pin, int)}
    sensors = [each for each in show.sensors if each.board == board.id]
    props = [each for each in show.props if each.board == board.id]
    of_sensor = {each.id: _name(each, sensors, pins) for each in sensors}
    known = {sensor: name for sensor, name in of_sensor.items() if name is not None}
    free = [
        name
        for name in pins
        if name not in known.values() and name not in {*board.inputs, *board.analog}
    ]
    found = {each.id: _outputs(each, props, free) for each in props}
    return BoardParts(
        {
            each.id: _sensor(each, pins[known[each.id]], show.links, found)
            for each in sensors
            if each.id in known
        },
        {each.id: _prop(each, board, pins, found[each.id]) for each in props if found[each.id]},
        (
            *(each.id for each in sensors if each.id not in known),
            *(each.id for each in props if not found[each.id]),
        ),
        _battery(board),
    )


def _name(sensor: Sensor, sensors: list[Sensor], pins: dict[str, int]) -> str | None:
    if sensor.id in pins:
        return sensor.id
    alone = sum(each.kind == sensor.kind for each in sensors) == 1
    return sensor.kind if alone and sensor.kind in pins else None


def _outputs(prop: Prop, props: list[Prop], free: list[str]) -> list[str]:
    own = [name for name in free if name == prop.id or name.startswith(f"{prop.id}-")]
    return own or (free if len(props) == 1 else [])


def _sensor(
    sensor: Sensor, pin: int, links: tuple[Link, ...], found: Mapping[str, list[str]]
) -> Part:
    """With the props of its own board that it may set off while there is no controller."""
    part: Part = {"pin": pin, "action": sensor.action}
    linked = {each.prop for each in links if each.sensor == sensor.id}
    props = [prop for prop, names in found.items() if prop in linked and names]
    return {**part, "props": props} if props else part


def _battery(board: Board) -> dict[str, int]:
    if board.battery is None:
        return {}
    floor_mv = CELL_FLOOR_MV[board.battery.chemistry]
    return {"cells": board.battery.series, "cell_floor_mv": floor_mv}


def _prop(prop: Prop, board: Board, pins: dict[str, int], names: list[str]) -> Part:
    outputs: dict[str, Part] = {}
    for name in names:
        stop = board.stop_states.get(name, STOPPED)
        outputs[name] = {"pin": pins[name], "stop": stop}
        if stop == "home":
            outputs[name]["home"] = 0
    return {
        "outputs": outputs,
        "behaviours": {each.id: _behaviour(each, names) for each in prop.behaviours},
    }


def _behaviour(behaviour: Behaviour, names: list[str]) -> Part:
    """All of it on from the first millisecond to the last: a beginning, to be made finer."""
    ends = behaviour.duration_ms
    steps = [[0, name, 1] for name in names] + [[ends, name, 0] for name in names]
    return {"duration_ms": ends, "steps": steps}
