"""Boards of the real firmware, all in one process of their own, whose every start is logged.

`python -m tests.soak.crowd CONFIGS LOG` reads lines from its input: `storm N` lets each board see
N visitors a second, `calm` ends that. Times in the log are of the machine's steady clock, in ns,
so that other processes may compare them with their own.
"""

import json
import os
import selectors
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Self, TextIO

from haunt.bootstrap.firmware import firmware
from tests.system.house import ROOT

WAIT_S = 0.002
PLAY_MS = 1000


def config_of(account: dict[str, Any]) -> dict[str, Any]:
    """Return the file of a board with one mat and one lamp."""
    board = account["username"]
    steps = [[0, "lamp", 1], [PLAY_MS - 10, "lamp", 0]]
    return {
        **account,
        "id": board,
        "pins": "script",
        "spread_ms": 0,
        "sensors": {f"{board}-mat": {"pin": 4}},
        "props": {
            f"{board}-prop": {
                "outputs": {"lamp": {"pin": 5, "stop": "off"}},
                "behaviours": {"growl": {"duration_ms": PLAY_MS, "steps": steps}},
            }
        },
    }


class Watched:
    """The firmware's brain with somebody looking on: what it was told, and what it did of it."""

    def __init__(self, brain: Any, board: str, log: TextIO) -> None:
        self._brain, self._board, self._log = brain, board, log
        self._was_stopped = False

    def step(self, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
        actions: list[tuple[Any, ...]] = self._brain.step(ms, event)
        for each in actions:
            if each[0] == "output" and each[3]:
                self._say("on", cue=json.loads(event[2]))
        if event[0] in {"connected", "lost"}:
            self._say(event[0])
        if self._brain.stopped != self._was_stopped:
            self._was_stopped = self._brain.stopped
            self._say("stopped" if self._was_stopped else "released")
        return actions

    def _say(self, what: str, **more: Any) -> None:
        entry = {"at": time.monotonic_ns(), "board": self._board, "what": what}
        self._log.write(json.dumps({**entry, "epoch": self._brain.epoch, **more}) + "\n")
        self._log.flush()


class FirmwareBoard:
    def __init__(self, config: dict[str, Any], log: TextIO, ms: int) -> None:
        modules, self._sensor = firmware(), next(iter(config["sensors"]))
        parsed = modules["config"].parse(json.dumps(config))
        self._pins = modules["board"].ScriptPins(parsed, lambda _entry: None)
        self.link = modules["board"].Link()
        radio = modules["board"].Radio(None)
        self._board = modules["loop"].Board(
            parsed, self._pins, self.link, radio, os.urandom, ms, "soft"
        )
        self._board._brain = Watched(self._board._brain, config["id"], log)
        self._seen_next_ms = ms

    def poll(self, ms: int, every_ms: float) -> None:
        if every_ms and ms >= self._seen_next_ms:
            self._seen_next_ms = max(self._seen_next_ms, ms - 100) + round(every_ms)
            self._pins.command(f"motion {self._sensor}")
            self._pins.command(f"clear {self._sensor}")
        self._board.poll(ms)


def main(configs: Path, log_path: Path) -> None:
    """Poll all of them for ever."""
    ears = selectors.DefaultSelector()
    ears.register(sys.stdin, selectors.EVENT_READ)
    os.set_blocking(sys.stdin.fileno(), False)
    every_ms = 0.0
    with log_path.open("a") as log:
        boards = [FirmwareBoard(each, log, _ms()) for each in json.loads(configs.read_text())]
        while True:
            if ears.select(WAIT_S):
                for line in sys.stdin.read().splitlines():
                    word, _, rate = line.partition(" ")
                    every_ms = 1000 / float(rate) if word == "storm" else 0.0
            for board in boards:
                board.poll(_ms(), every_ms)


def _ms() -> int:
    return time.monotonic_ns() // 1_000_000


class Crowd:
    """The process, seen from a test: started, told, killed as one, its log read."""

    def __init__(self, folder: Path, accounts: Sequence[dict[str, Any]]) -> None:
        self.boards = [each["username"] for each in accounts]
        self._configs, self._log = folder / "crowd.json", folder / "crowd.log"
        self._configs.write_text(json.dumps([config_of(each) for each in accounts]))
        self._log.touch()
        self._told_bytes = 0
        self._process: subprocess.Popen[str] | None = None
        self._errors = folder / "crowd.err"

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> None:
        with self._errors.open("ab") as errors:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.soak.crowd", self._configs, self._log],
                stdin=subprocess.PIPE,
                stderr=errors,
                cwd=ROOT,
                text=True,
            )

    def tell(self, line: str) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def kill(self) -> None:
        """As when the plug of the whole garden is pulled."""
        if self._process is not None:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait()
            assert self._process.stdin is not None
            with suppress(BrokenPipeError):
                self._process.stdin.close()
            self._process = None

    def entries(self, since_ns: int = 0) -> list[dict[str, Any]]:
        lines = self._log.read_text().splitlines(keepends=True)
        found = [json.loads(line) for line in lines if line.endswith("\n")]
        return [each for each in found if each["at"] >= since_ns]

    def news(self) -> list[dict[str, Any]]:
        """What was logged since this was last asked."""
        with self._log.open("rb") as log:
            log.seek(self._told_bytes)
            raw = log.read()
        whole = raw[: raw.rfind(b"\n") + 1]
        self._told_bytes += len(whole)
        return [json.loads(line) for line in whole.splitlines()]

    def first(self, what: str, since_ns: int) -> dict[str, int]:
        """Return when each board first did it, in ns."""
        found: dict[str, int] = {}
        for each in self.entries(since_ns):
            if each["what"] == what:
                found.setdefault(each["board"], each["at"])
        return found

    def starts(self, since_ns: int) -> list[dict[str, Any]]:
        return [each for each in self.entries(since_ns) if each["what"] == "on"]


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
