"""Goal: a board whose controller is gone plays its quiet behaviour by itself, and not at once.

Method: the real server and the firmware on MicroPython's Unix port as processes; the server is
killed, visitors go on, and the pin log tells when the lamp was lit.
"""

import time
from pathlib import Path

import pytest

from tests.system.house import BIN, Board, House, free_port, until

pytestmark = pytest.mark.system

BEAT_LOST_S = 6.0
SHOW = """
[show]
id = "yard"
time_zone = "UTC"
[[board]]
id = "gate"
[[sensor]]
id = "gate-mat"
board = "gate"
kind = "mat"
[[prop]]
id = "lantern"
board = "gate"
cooldown_s = 1
alone = "glow"
[[prop.behaviour]]
id = "glow"
duration_s = 1
[[link]]
sensor = "gate-mat"
prop = "lantern"
"""


def board_of(house: House) -> Board:
    glow = {"duration_ms": 1000, "steps": [[0, "lamp", 1], [900, "lamp", 0]]}
    config = {
        **house.server.credential("gate"),
        "pins": "script",
        "control_port": free_port(),
        "pin_log": str(house.folder / "gate.pins"),
        "spread_ms": 0,
        "sensors": {"gate-mat": {"pin": 4, "props": ["lantern"]}},
        "props": {
            "lantern": {
                "outputs": {"lamp": {"pin": 5, "stop": "off", "load": "light"}},
                "behaviours": {"glow": glow},
            }
        },
    }
    return Board(config, house.folder, BIN / "micropython").start()


def walked_by(board: Board) -> int:
    board.visitor("gate-mat")
    return board.lit()


def test_without_its_controller_it_plays_alone_after_six_seconds(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        board = board_of(house)
        try:
            until(lambda: house.server.prop("lantern")["here"], "the board")
            board.visitor("gate-mat")
            until(lambda: board.lit() == 1, "the lamp by a cue")

            until(lambda: house.server.prop("lantern")["state"] == "ready", "the end of its rest")
            house.server.kill()
            killed_s = time.monotonic()

            until(lambda: walked_by(board) >= 2, "the lamp without a cue")
            alone_s = time.monotonic() - killed_s
            until(lambda: walked_by(board) >= 3, "the lamp again")
        finally:
            board.kill()

    assert BEAT_LOST_S - 2 - 0.5 <= alone_s <= 3 * BEAT_LOST_S, "the last beat may be 2 s old"
