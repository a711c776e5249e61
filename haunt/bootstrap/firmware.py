"""Loads the firmware's own modules by path, so that simulated boards are the real ones.

They import each other by plain names, as they do on a board; those names are lent to them only
while they load.
"""

import importlib
import json
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any, Final, NamedTuple

from pydantic_core import to_json

from haunt.study.ports import Brain

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
)


def firmware_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    installed = package / "_firmware"
    return installed if installed.is_dir() else package.parent / "firmware_stub"


@cache
def firmware() -> dict[str, ModuleType]:
    """Return the modules by name."""
    return _load()


def _load() -> dict[str, ModuleType]:
    before = {name: sys.modules.pop(name) for name in NAMES if name in sys.modules}
    sys.path.insert(0, str(firmware_folder()))
    try:
        return {name: importlib.import_module(name) for name in NAMES}
    finally:
        sys.path.remove(str(firmware_folder()))
        for name in NAMES:
            sys.modules.pop(name, None)
        sys.modules.update(before)


# --- brains for simulated nights


FOR_EVER: Final = 1 << 60
BEATS_KEPT: Final = 64


class BrainTally(NamedTuple):
    """Satisfies `study.ports.BrainTally`."""

    motions: int
    dropped: int
    waiting: int
    epoch: int
    stopped: bool
    still: bool


class _FasterJson:
    """The same bytes as the standard library's for what a board says, in a quarter of the time."""

    loads = staticmethod(json.loads)

    @staticmethod
    def dumps(value: object, separators: tuple[str, str]) -> str:
        assert separators == (",", ":"), "the firmware writes compact JSON"
        return to_json(value).decode()


class _Timed:
    """What a simulated night asks of the firmware's brain beside its steps; mixed into it.

    Pure sums that come out the same for every board (a beat's fields) or every time (a topic's
    name) are done once.
    """

    silence_ms: int
    beats_read: dict[bytes, Any]
    step: Callable[[int, tuple[Any, ...]], list[tuple[Any, ...]]]
    _beat: Callable[[int, bytes], None]
    _is_connected: bool
    _is_still: bool
    _health_due_ms: int
    _playing: dict[str, dict[str, Any]]
    _motions: dict[str, int]
    _beats: Any
    _outbox: Any
    epoch: int
    stopped: bool

    def __init__(self, config: Any, boot: str, reset: str, ms: int) -> None:
        super().__init__(config, boot, reset, ms)  # type: ignore[call-arg]
        self._names: dict[str, str] = {}

    def due_ms(self) -> int:
        due = self._health_due_ms if self._is_connected else FOR_EVER
        for play in self._playing.values():
            due = min(due, play["end_ms"])
        if not self._is_still:
            due = min(due, self._beats._last_ms + self.silence_ms)  # noqa: SLF001
        return due

    def hear_beats(self, topic: str, beats: list[tuple[int, bytes]]) -> list[tuple[Any, ...]]:
        """Before time alone makes it do anything, a step with a beat is the beat and no more."""
        actions: list[tuple[Any, ...]] = []
        due_ms = self.due_ms()
        for ms, payload in beats:
            event: tuple[Any, ...] = ("message", topic, payload, False)
            if ms < due_ms:
                self._beat(ms, payload)
                if not self._is_connected or ms < self._health_due_ms:
                    continue
                event = ("tick",)  # of a higher epoch: it wants to say so at once
            actions += self.step(ms, event)
            due_ms = self.due_ms()
        return actions

    def tally(self) -> BrainTally:
        waiting = self._outbox._waiting, self._outbox._underway  # noqa: SLF001
        return BrainTally(
            sum(self._motions.values()),
            self._outbox.dropped,
            sum(map(len, waiting)),
            self.epoch,
            self.stopped,
            self._is_still,
        )

    def _topic(self, leaf: str) -> str:
        found = self._names.get(leaf)
        if found is None:
            found = self._names[leaf] = super()._topic(leaf)  # type: ignore[misc]
        return found

    def _checked(self, kind: str, payload: bytes) -> Any:
        found = self.beats_read.get(payload)
        if found is None:
            found = super()._checked(kind, payload)  # type: ignore[misc]
            if kind == "beat" and found is not None:
                while len(self.beats_read) >= BEATS_KEPT:
                    del self.beats_read[next(iter(self.beats_read))]
                self.beats_read[payload] = found
        return found


@cache
def _timed_brain() -> tuple[type, ModuleType]:
    """Return the firmware's brain with `_Timed`, and its reader of files.

    Of modules of their own: what is lent to them changes nobody else's.
    """
    modules = _load()
    setattr(modules["payloads"], "json", _FasterJson)  # noqa: B010 - mypy knows no such module
    more = {"silence_ms": modules["beats"].SILENCE_MS, "beats_read": {}}
    return type("TimedBrain", (_Timed, modules["brain"].Brain), more), modules["config"]


def make_brain(config: dict[str, Any], boot: str, reset: str, ms: int) -> Brain:
    """Satisfies `study.ports.MakeBrain`."""
    kind, reader = _timed_brain()
    brain: Brain = kind(reader.parse(json.dumps(config)), boot, reset, ms)
    return brain
