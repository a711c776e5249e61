"""Goal: a board's file holds what the show file knows of it, and the real firmware takes it.

Method: invented shows; the firmware's own reader judges the file.
"""

import json

from haunt.bootstrap.firmware import firmware
from haunt.wire.boardfile import BoardParts, board_parts
from haunt.wire.showfile import read_show

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
    file = json.dumps({**login, "sensors": found.sensors, "props": found.props})
    return dict(vars(firmware()["config"].parse(file)))


def test_the_firmware_takes_the_file_of_a_board_whose_pins_are_told() -> None:
    found = parts('pins = { pir = 4, eyes = 16 }\nstop_states = { eyes = "home" }')
    read = taken(found)

    assert read["sensors"] == {"owl-pir": {"pin": 4, "action": "fire"}}
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
