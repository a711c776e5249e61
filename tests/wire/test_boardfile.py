"""Goal: a board's file holds what the show file knows of it, and the real firmware takes it.

Method: invented shows; the firmware's own reader judges the file.
"""

import json

import pytest

from haunt.bootstrap.firmware import firmware
from haunt.wire.boardfile import CELL_FLOOR_MV, BoardParts, board_parts
from haunt.wire.showfile import read_show
from haunt.workshop.pack import CHEMISTRIES, cell_volts

HEAD = '[show]\nid = "yard"\ntime_zone = "UTC"\n'
OWL = """
[[sensor]]
id = "owl-pir"
board = "oak"
[[prop]]
id = "owl"
board = "oak"
[[prop.behaviour]]
id = "hoot"
duration_s = 2
[[link]]
sensor = "owl-pir"
prop = "owl"
"""


def parts(board: str, rest: str = OWL) -> BoardParts:
    show = read_show(f'{HEAD}[[board]]\nid = "oak"\n{board}\n{rest}', "show").show
    return board_parts(show, show.boards[0])


def taken(found: BoardParts) -> dict[str, object]:
    """Raises where the firmware would refuse the file."""
    login = {"host": "10.0.0.2", "username": "oak", "password": "x", "root": "haunt/yard"}
    file = {"sensors": found.sensors, "props": found.props, "battery": dict(found.battery)}
    return dict(vars(firmware()["config"].parse(json.dumps({**login, **file}))))


def test_the_firmware_takes_the_file_of_a_board_whose_pins_are_told() -> None:
    found = parts('pins = { pir = 4, eyes = 16 }\nstop_states = { eyes = "home" }')
    read = taken(found)

    assert read["sensors"] == {"owl-pir": {"pin": 4, "action": "fire", "props": ["owl"]}}
    assert read["props"] == {
        "owl": {
            "outputs": {"eyes": {"pin": 16, "stop": "home", "home": 0}},
            "behaviours": {
                "hoot": {"duration_ms": 2000, "steps": [[0, "eyes", 1], [2000, "eyes", 0]]}
            },
        }
    }
    assert not found.words


def test_no_pin_is_made_up_and_what_lacks_one_is_named() -> None:
    found = parts("")

    assert (found.sensors, found.props) == ({}, {})
    assert found.pinless == ("owl-pir", "owl")
    assert "owl-pir, owl" in found.words
    taken(found)


def test_two_props_of_one_board_drive_the_pins_that_bear_their_names() -> None:
    bat = '[[prop]]\nid = "bat"\nboard = "oak"\n[[prop.behaviour]]\nid = "fly"\nduration_s = 1\n'
    found = parts("pins = { owl-pir = 4, owl = 5, bat-wing = 6, bat-eye = 7, lamp = 8 }", OWL + bat)

    assert [list(vars_of(found, each)) for each in ("owl", "bat")] == [
        ["owl"],
        ["bat-wing", "bat-eye"],
    ]
    taken(found)


def test_pins_that_only_listen_are_never_driven() -> None:
    found = parts(
        'pins = { pir = 4, pack = 34, door = 5, eyes = 16 }\ninputs = ["door"]\nanalog = ["pack"]'
    )

    assert list(vars_of(found, "owl")) == ["eyes"]


def vars_of(found: BoardParts, prop: str) -> dict[str, object]:
    outputs = found.props[prop]["outputs"]
    assert isinstance(outputs, dict)
    return outputs


def test_a_sensor_sets_off_alone_only_what_is_linked_and_on_its_own_board() -> None:
    elsewhere = """
[[board]]
id = "elm"
[[prop]]
id = "bat"
board = "elm"
[[prop.behaviour]]
id = "fly"
duration_s = 1
[[prop]]
id = "fox"
board = "oak"
[[prop.behaviour]]
id = "bark"
duration_s = 1
[[link]]
sensor = "owl-pir"
prop = "bat"
"""
    found = parts("pins = { owl-pir = 4, owl = 5, fox = 6 }", OWL + elsewhere)

    assert found.sensors["owl-pir"]["props"] == ["owl"]
    taken(found)


def test_a_pack_gives_its_floor_and_leaves_the_divider_to_the_maker() -> None:
    found = parts('pins = { pir = 4, eyes = 16 }\nbattery = { chemistry = "LiPo", series = 3 }')

    assert found.battery == {"cells": 3, "cell_floor_mv": 3000}
    assert "battery.divider" in found.words
    assert taken(found)["battery"] == {"cells": 3, "cell_floor_mv": 3000}


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_a_cells_floor_is_where_it_counts_as_drained(chemistry: str) -> None:
    assert CELL_FLOOR_MV[chemistry] == cell_volts(chemistry).empty * 1000
