"""A data folder for one board that is to be tried, and that board's own file."""

from pathlib import Path
from typing import Any, NamedTuple

from haunt.bootstrap.offline import add_board, import_file
from haunt.config import Config, read_config
from tests.system.house import free_port

SHOW = """
[show]
id = "yard"
time_zone = "UTC"

[[board]]
id = "gate"

[[sensor]]
id = "gate-pir"
board = "gate"
kind = "pir"

[[prop]]
id = "gatekeeper"
board = "gate"
[[prop.behaviour]]
id = "growl"
duration_s = 0.3
[[prop.behaviour]]
id = "moan"
duration_s = 20
intensity = 2

[[prop]]
id = "guillotine"
board = "gate"
arm_by_hand = true
[[prop.behaviour]]
id = "drop"
duration_s = 1
"""
BEHAVIOURS = {"growl": {"duration_ms": 300}, "moan": {"duration_ms": 20_000}}


class Yard(NamedTuple):
    """A data folder with one board that may sign in."""

    folder: Path
    config: Config
    credential: dict[str, Any]
    port: int


def yard_in(folder: Path) -> Yard:
    folder.mkdir()
    show, port = folder / "show.toml", free_port()
    show.write_text(SHOW)
    config = read_config(folder / "data", {"mqtt": f"127.0.0.1:{port}"}, {})
    assert import_file(config, show)[0] == []
    credential = add_board(config, "gate")
    assert isinstance(credential, dict)
    return Yard(folder, config, credential, port)


def board_file(yard: Yard) -> dict[str, Any]:
    return yard.credential | {
        "port": yard.port,
        "pins": "script",
        "spread_ms": 0,
        "sensors": {"gate-pir": {"pin": 4}},
        "props": {
            "gatekeeper": {
                "outputs": {"lamp": {"pin": 5, "stop": "off"}},
                "behaviours": BEHAVIOURS,
            }
        },
    }
