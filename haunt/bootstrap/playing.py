"""`haunt boards play`: this machine plays a board, by the firmware itself; its keyboard, visitors.

It must drive no pin: what the board would set shows as words.
"""

import json
import os
import queue
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final

from haunt.bootstrap.firmware import firmware

POLL_S: Final = 0.01
SEEN_MS: Final = 1000
"""So long somebody stands in front of the sensor."""
TYPED_MAX: Final = 100
"""Lines that wait; what is piped in beyond that waits to be read."""
PLAYED: Final = {"pins": "script", "spread_ms": 0, "wifi": {}}
"""What of a board's file is otherwise on a machine that has neither pins nor a radio to join by."""

Say = Callable[[str], None]


class PlayRefused(Exception):  # noqa: N818 - the word says what happened
    """The file cannot be played: each fault, and what to do."""


class PlayedBoard:
    """One whole board of the firmware; call `poll` every 10 ms or so with a steady clock."""

    def __init__(self, text: str, link: Any, say: Say, ms: int) -> None:
        modules = firmware()
        self._config = modules["config"].parse(_without_pins(text))
        self._say, self._link, self._ms = say, link, ms
        self._clear_ms: dict[str, int] = {}
        self._was_here, self._fault = False, None
        self._pins = modules["board"].ScriptPins(self._config, self._log)
        self._events_of = modules["script"].events_of
        radio = modules["board"].Radio(None)
        self._board: Any = None
        self._board = modules["loop"].Board(
            self._config, self._pins, link, radio, os.urandom, ms, "power-on"
        )

    @property
    def id(self) -> str:
        return str(self._config.id)

    @property
    def sensors(self) -> list[str]:
        return list(self._config.sensors)

    def poll(self, ms: int) -> None:
        self._ms = ms
        for sensor in [each for each, due_ms in self._clear_ms.items() if ms >= due_ms]:
            del self._clear_ms[sensor]
            self._pins.command(f"clear {sensor}")
        self._board.poll(ms)
        self._tell()

    def type(self, line: str) -> None:
        """Nothing, or a sensor's id, is somebody in front of it; the rest is told in script.py."""
        word = line.strip() or next(iter(self.sensors), "")
        if word in self._config.sensors:
            self._say(f"somebody at {word}")
            self._pins.command(f"motion {word}")
            self._clear_ms[word] = self._ms + SEEN_MS
        elif self._events_of(word):
            self._pins.command(word)
        else:
            self._say(f"not known: {word}. Sensors: {', '.join(self.sensors)}")

    def close(self, ms: int) -> None:
        self._board.close(ms)

    def _tell(self) -> None:
        is_here, fault = self._board.is_here(), self._board.fault
        if is_here and not self._was_here:
            self._say(f"{self.id} is here")
        elif not is_here and (self._was_here or fault != self._fault):
            where = f"{self._config.host}:{self._config.port}"
            self._say(f"not connected to {where}: {_words(str(fault))}")
        self._was_here, self._fault = is_here, fault

    def _log(self, entry: dict[str, Any]) -> None:
        if self._board is not None:  # what it puts to rest at its start is no news
            level = {0: "off", 1: "on"}.get(entry["level"], entry["level"])
            self._say(f"{entry['prop']}: {entry['output']} {level}")


def _words(fault: str) -> str:
    if fault.isdigit():  # as MicroPython says it
        fault = os.strerror(int(fault))
    if fault.startswith("sign-in refused"):
        return f"{fault}. Its password is another by now: make the board's file anew"
    return f"{fault}. Does haunt serve run, and let boards in at this address?"


def _without_pins(text: str) -> str:
    """Leave what is no JSON as it is: the firmware's reader says so."""
    try:
        raw = json.loads(text)
    except ValueError:
        return text
    return json.dumps({**raw, **PLAYED}) if isinstance(raw, dict) else text


def play_board(path: Path, lines: Iterable[str], say: Say) -> None:
    """Until Ctrl-C. Raises PlayRefused."""
    modules = firmware()
    try:
        text = path.read_text(encoding="utf-8")
        board = PlayedBoard(text, modules["board"].Link(), say, 0)
    except (OSError, UnicodeDecodeError) as fault:
        raise PlayRefused(f"{path} cannot be read: {fault}") from fault
    except modules["config"].ConfigError as wrong:
        raise PlayRefused("\n".join(f"{path}: {each}" for each in wrong.faults)) from wrong
    if not board.sensors:
        raise PlayRefused(
            f"{path} names no sensor: tell its pin in the plan, and make the board's file anew"
        )
    typed: queue.Queue[str] = queue.Queue(TYPED_MAX)
    threading.Thread(target=_read, args=(lines, typed), name="keyboard", daemon=True).start()
    say(f"this machine plays {board.id}. Enter: somebody is at {board.sensors[0]}. Ctrl-C ends it")
    _run(board, typed)


def _read(lines: Iterable[str], typed: "queue.Queue[str]") -> None:
    for line in lines:
        typed.put(line)


def _run(board: PlayedBoard, typed: "queue.Queue[str]") -> None:
    began = time.monotonic()

    def now_ms() -> int:
        return round((time.monotonic() - began) * 1000)

    try:
        while True:
            while not typed.empty():
                board.type(typed.get())
            board.poll(now_ms())
            time.sleep(POLL_S)
    except KeyboardInterrupt:
        return
    finally:
        board.close(now_ms())
