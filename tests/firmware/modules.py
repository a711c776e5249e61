"""The board's modules, loaded by path, and the fakes that stand around them.

They import each other by plain names, as on the board, so the names live only while they load.
"""

import importlib
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any, TypeAlias

FIRMWARE = Path(__file__).parents[2] / "firmware_stub"
VECTORS = Path(__file__).parents[1] / "vectors"
MICROPYTHON = Path(sys.executable).parent / "micropython"
NAMES = (
    "chance",
    "payloads",
    "packets",
    "kinds",
    "parts",
    "config",
    "beats",
    "outbox",
    "pack",
    "shapes",
    "limits",
    "tracks",
    "alone",
    "brain",
    "session",
    "script",
    "loop",
    "board",
    "wav",
    "pins",
)

Run: TypeAlias = Callable[[str, Path], "subprocess.CompletedProcess[str]"]

BOOT = "7f3a91c2d405"
CONFIG: dict[str, Any] = {
    "id": "gate",
    "host": "127.0.0.1",
    "root": "haunt/yard",
    "pins": "script",
    "spread_ms": 0,
    "sensors": {"gate-pir": {}, "stop-button": {"action": "stop"}},
    "props": {
        "gatekeeper": {
            "outputs": {
                "eyes": {"stop": "off"},
                "arm": {"stop": "home", "home": 1},
                "jaw": {"stop": "hold"},
                "path-light": {"stop": "on"},
            },
            "behaviours": {
                "growl": {
                    "duration_ms": 1000,
                    "steps": [
                        [0, "eyes", 1],
                        [0, "jaw", 1],
                        [200, "arm", 0],
                        [400, "path-light", 0],
                    ],
                }
            },
        }
    },
}


def load() -> dict[str, ModuleType]:
    hidden = {name: sys.modules.pop(name) for name in NAMES if name in sys.modules}
    sys.path.insert(0, str(FIRMWARE))
    try:
        return {name: importlib.import_module(name) for name in NAMES}
    finally:
        sys.path.remove(str(FIRMWARE))
        for name in NAMES:
            sys.modules.pop(name, None)
        sys.modules.update(hidden)


def beat(now_ms: int, epoch: int = 3, clock: str = "a1") -> bytes:
    said = {"clock": clock, "now_ms": now_ms, "wall_ms": 1793491200000, "epoch": epoch}
    return json.dumps(said).encode()


def cue(sent_ms: int, name: str = "c-1", epoch: int = 3, max_ms: int = 9000) -> bytes:
    said = {
        "cue": name,
        "epoch": epoch,
        "prop": "gatekeeper",
        "behaviour": "growl",
        "max_ms": max_ms,
        "ttl_ms": 1500,
        "sent_ms": sent_ms,
    }
    return json.dumps(said).encode()


def stop(epoch: int, *, stopped: bool) -> bytes:
    return json.dumps({"stopped": stopped, "epoch": epoch, "at_ms": 0}).encode()


class FakeLink:
    """A connection in memory: `sent` is what the board wrote, `arrive` what it will read."""

    def __init__(self) -> None:
        self.sent: list[bytes] = []
        self.opened = 0
        self.ready = True
        self._open = False
        self._arrived = b""
        self._cut = False

    def arrive(self, data: bytes) -> None:
        self._arrived += data

    def cut(self) -> None:
        self._cut = True

    def open(self, host: str, port: int) -> None:
        assert (host, port) == ("127.0.0.1", 1883)
        self.opened += 1
        self._open, self._cut, self._arrived, self.sent = True, False, b"", []

    def is_open(self) -> bool:
        return self._open

    def is_ready(self) -> bool:
        return self.ready

    def write(self, packet: bytes) -> None:
        self.sent.append(packet)

    def flush(self) -> None:
        pass

    def read(self) -> bytes:
        if self._cut:
            raise OSError(104)
        data, self._arrived = self._arrived, b""
        return data

    def close(self) -> None:
        self._open = False


class FakeRadio:
    def __init__(self) -> None:
        self.ready = True

    def is_ready(self, ms: int) -> bool:
        return self.ready and ms >= 0

    def rssi(self) -> int | None:
        return -61
