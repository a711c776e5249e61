"""A house for system tests: the real server as a process, real Mosquitto, real firmware boards.

Everything is told and asked from outside: HTTP, MQTT, the boards' control sockets and pin logs.
"""

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from typer.testing import CliRunner, Result

from haunt.cli import app

ROOT = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent
HAUNT = (sys.executable, "-m", "haunt")
DEADLINE_S = 60.0  # of a machine on which much else runs


def until(what: Callable[[], Any], why: str, deadline_s: float = DEADLINE_S) -> Any:
    """Ask again until it is true; real processes have no event to wait on."""
    end = time.monotonic() + deadline_s
    while True:
        found = what()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"waited {deadline_s} s for: {why}; last answer {found!r}")
        time.sleep(0.02)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def typed(*words: str) -> Result:
    """A command of the line, run in this process: the start of another costs a second."""
    return CliRunner().invoke(app, words)


def told(data: Path, *words: str) -> dict[str, Any]:
    """What a command of the line says about a data folder."""
    out = typed(*words, "--data", str(data), "--json")
    assert out.exit_code == 0, out.output
    found: dict[str, Any] = json.loads(out.stdout)
    return found


@dataclass
class Server:
    """`haunt serve` on free ports over one data folder."""

    data: Path
    show: Path
    port: int = field(default_factory=free_port)
    more: tuple[str, ...] = ()
    process: subprocess.Popen[bytes] | None = None
    started_s: float = 0.0
    token: str = ""
    program: tuple[str, ...] = HAUNT

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> "Server":
        self.token = self.token or self.told("tokens", "add", "--role", "owner")["token"]
        began = time.monotonic()
        log = (self.data.parent / "server.log").open("ab")
        self.process = subprocess.Popen(
            [
                *self.program,
                "serve",
                "--data",
                self.data,
                "--show",
                self.show,
                "--listen",
                f"127.0.0.1:{self.port}",
                "--mqtt",
                "127.0.0.1:0",
                *self.more,
            ],
            stderr=log,
            cwd=ROOT,
        )
        log.close()
        until(self._answers, "the server to answer")
        self.started_s = time.monotonic() - began
        return self

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.data.parent / "server.log").read_text()
        try:
            with urllib.request.urlopen(f"{self.url}/livez", timeout=1) as answer:
                return bool(answer.status == 200)
        except OSError:
            return False

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def end(self) -> float:
        """SIGTERM; return the seconds it took."""
        assert self.process is not None
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise
        return time.monotonic() - began

    def told(self, *words: str) -> dict[str, Any]:
        return told(self.data, *words)

    @property
    def signed(self) -> dict[str, str]:
        return {"authorization": f"Bearer {self.token}"}

    def asked(self, path: str) -> urllib.request.Request:
        return urllib.request.Request(self.url + path, headers=self.signed)

    def listening(self, path: str = "/stream") -> "subprocess.Popen[bytes]":
        """Start a listener to a stream that never ends."""
        words = ["curl", "-sN", "-H", f"authorization: Bearer {self.token}", self.url + path]
        return subprocess.Popen(words, stdout=subprocess.DEVNULL)

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(self.asked(path), timeout=5) as answer:
            return json.load(answer)

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any]:
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(self.url + path, data, self.signed, method=method)
        request.add_header("content-type", "application/json")
        for name, value in headers.items():
            request.add_header(name.replace("_", "-"), value)
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as fault:
            return fault.code, json.load(fault)

    def prop(self, prop: str) -> dict[str, Any]:
        found: dict[str, Any] = self.get(f"/api/v1/props/{prop}")
        return found

    def decisions(self, **asked: str) -> list[dict[str, Any]]:
        query = "&".join(f"{k}={v}" for k, v in {"limit": "1000", **asked}.items())
        found: list[dict[str, Any]] = self.get(f"/api/v1/decisions?{query}")["items"]
        return found

    def metric(self, name: str) -> int:
        with urllib.request.urlopen(self.asked("/metrics"), timeout=5) as answer:
            for line in answer.read().decode().splitlines():
                if line.startswith(f"{name} "):
                    return int(line.split()[1])
        raise KeyError(name)

    def credential(self, board: str) -> dict[str, Any]:
        return self.told("boards", "add", board)


@dataclass
class Board:
    """The firmware as a process of its own: MicroPython's Unix port, or CPython."""

    config: dict[str, Any]
    folder: Path
    interpreter: Path
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> "Board":
        path = self.folder / f"{self.config['username']}.json"
        path.write_text(json.dumps(self.config))
        out = (self.folder / f"{self.config['username']}.out").open("ab")
        self.process = subprocess.Popen(
            [self.interpreter, ROOT / "firmware_stub" / "main.py", path],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
        )
        out.close()
        return self

    def tell(self, line: str) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            out.sendto(line.encode(), ("127.0.0.1", self.config["control_port"]))

    def visitor(self, sensor: str) -> None:
        self.tell(f"motion {sensor}")
        self.tell(f"clear {sensor}")

    def pins(self) -> list[dict[str, Any]]:
        path = Path(self.config["pin_log"])
        if not path.exists():
            return []
        return [json.loads(line) for line in path.read_text().splitlines() if line]

    def lit(self) -> int:
        """How often an output went on."""
        return sum(1 for each in self.pins() if each["level"] == 1)

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()


class House:
    """One server and its boards; ends all of them, the kept broker too."""

    def __init__(
        self,
        folder: Path,
        show_text: str,
        *,
        more: tuple[str, ...] = (),
        program: tuple[str, ...] = HAUNT,
    ) -> None:
        self._ending = ExitStack()
        self.folder = folder
        show = folder / "show.toml"
        show.write_text(show_text)
        self.server = Server(folder / "data", show, more=more, program=program)
        (folder / "data").mkdir()

    def __enter__(self) -> Self:
        self._ending.callback(self._end_broker)
        self._ending.callback(self._end_server)
        self.server.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.close()

    def board(
        self,
        board: str,
        sensors: tuple[str, ...],
        props: dict[str, dict[str, int]],
        *,
        cpython: bool = False,
    ) -> Board:
        """Start a board with one lamp a prop; `props` gives behaviours and their ms."""
        config = {
            **self.server.credential(board),
            "pins": "script",
            "control_port": free_port(),
            "pin_log": str(self.folder / f"{board}.pins"),
            "spread_ms": 0,
            "sensors": {name: {"pin": 4} for name in sensors},
            "props": {
                name: {
                    "outputs": {"lamp": {"pin": 5, "stop": "off"}},
                    "behaviours": {
                        b: {"duration_ms": ms, "steps": [[0, "lamp", 1], [ms - 10, "lamp", 0]]}
                        for b, ms in behaviours.items()
                    },
                }
                for name, behaviours in props.items()
            },
        }
        interpreter = Path(sys.executable) if cpython else BIN / "micropython"
        found = Board(config, self.folder, interpreter).start()
        self._ending.callback(found.kill)
        until(
            lambda: any(
                p["here"] and p["board"] == board for p in self.server.get("/api/v1/props")["items"]
            ),
            f"board {board} to be here: {self._words(board)}",
        )
        return found

    def _words(self, board: str) -> str:
        path = self.folder / f"{board}.out"
        return path.read_text() if path.exists() else ""

    def _end_server(self) -> None:
        process = self.server.process
        if process is not None and process.poll() is None:
            self.server.end()

    def _end_broker(self) -> None:
        try:
            pid = int((self.server.data / "broker" / "pid").read_text())
            os.kill(pid, signal.SIGTERM)
        except (OSError, ValueError):
            pass


SHOW = """
[show]
id = "yard"
name = "The yard"
time_zone = "UTC"

[stagger]
radius_m = 5
gap_s = 2

[[board]]
id = "gate"
x_m = 0
y_m = 0

[[board]]
id = "well"
x_m = 3
y_m = 0

[[sensor]]
id = "gate-mat"
board = "gate"
kind = "mat"

[[sensor]]
id = "well-mat"
board = "well"
kind = "mat"

[[prop]]
id = "keeper"
board = "gate"
name = "Gatekeeper"
cooldown_s = 6

[[prop.behaviour]]
id = "growl"
duration_s = 1

[[prop]]
id = "well"
board = "well"
name = "Old well"
cooldown_s = 6

[[prop.behaviour]]
id = "bubble"
duration_s = 1

[[link]]
sensor = "gate-mat"
prop = "keeper"

[[link]]
sensor = "well-mat"
prop = "well"
"""
