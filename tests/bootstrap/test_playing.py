"""Goal: on a machine without pins a board is played in words: Enter is a visitor, levels are told.

Method: the firmware itself with a link in memory, a clock by hand, and what was said in a list.
"""

import json

from haunt.bootstrap.playing import PlayedBoard
from tests.firmware.modules import CONFIG, FakeLink

FILE = {
    **CONFIG,
    "pins": "machine",
    "wifi": {"ssid": "yard", "password": "words"},
    "sensors": {"gate-pir": {"pin": 4}, "stop-button": {"pin": 5, "action": "stop"}},
}


class Played:
    def __init__(self) -> None:
        self.said: list[str] = []
        self.link = FakeLink()
        self.board = PlayedBoard(_with_pins(FILE), self.link, self.said.append, 0)


def _with_pins(raw: dict[str, object]) -> str:
    text = json.dumps(raw)
    for number, name in enumerate(("eyes", "arm", "jaw", "path-light")):
        text = text.replace(f'"{name}": {{', f'"{name}": {{"pin": {16 + number}, ')
    return text


def test_a_file_for_real_pins_and_wi_fi_is_played_as_it_is() -> None:
    played = Played()
    played.board.poll(10)
    assert played.link.opened == 1
    assert played.said == []


def test_enter_is_somebody_at_the_first_sensor_for_a_second() -> None:
    played = Played()
    played.board.poll(10)
    played.board.type("\n")
    assert played.said == ["somebody at gate-pir"]
    played.board.poll(20)
    assert list(played.board._clear_ms) == ["gate-pir"]
    played.board.poll(1020)
    assert not played.board._clear_ms


def test_what_is_no_sensor_and_no_line_of_the_script_is_answered() -> None:
    played = Played()
    played.board.type("dance\n")
    played.board.type("battery 7400\n")
    assert played.said == ["not known: dance. Sensors: gate-pir, stop-button"]


def test_a_connection_that_fails_says_where_and_what_to_look_at() -> None:
    played = Played()
    played.board.poll(10)
    played.board.poll(20)
    played.link.cut()
    played.board.poll(30)
    [said] = played.said
    assert said.startswith("not connected to 127.0.0.1:1883: ")
    assert said.endswith("Does haunt serve run, and let boards in at this address?")
