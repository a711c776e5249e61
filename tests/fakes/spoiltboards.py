"""Boards that break the contract in one way each: the firmware's own brain with one thing spoilt.

`spoilt` gives the brain; `SpoiltBoard` runs one on a real socket, in a thread of its own.
"""

import json
import os
import threading
import time
from collections.abc import Callable
from types import ModuleType
from typing import Any, Final

from tests.firmware.modules import load

WITHOUT_WILL: Final = "without-will"
_LENDING: Final = threading.Lock()
"""The boards' plain names are lent while they load: one board at a time."""


def spoilt(kind: str, brain: type[Any]) -> type[Any]:
    """The brain with its fault; of the kinds in `FAULTS`, and whole for any other word."""
    return FAULTS[kind](_Fault(brain)) if kind in FAULTS else brain


class _Fault:
    """Names the methods of a brain that a fault replaces; `brain` is the firmware's class."""

    def __init__(self, brain: type[Any]) -> None:
        self.brain = brain

    def refusing(self, judge: Callable[[Any, dict[str, Any], Any], Any]) -> type[Any]:
        """`judge` has the brain, the cue and what the firmware would have refused it for."""
        whole = self.brain

        def _refusal(board: Any, ms: int, cue: dict[str, Any], retain: bool) -> Any:
            return judge(board, cue, whole._refusal(board, ms, cue, retain))

        return self.made(_refusal=_refusal)

    def saying(self, change: Callable[[Any, tuple[Any, ...]], tuple[Any, ...] | None]) -> type[Any]:
        """`change` alters each action on its way out, or drops it."""
        whole = self.brain

        def step(board: Any, ms: int, event: tuple[Any, ...]) -> list[tuple[Any, ...]]:
            out = [change(board, each) for each in whole.step(board, ms, event)]
            return [each for each in out if each is not None]

        return self.made(step=step)

    def made(self, **methods: Any) -> type[Any]:
        return type("SpoiltBrain", (self.brain,), methods)


def _plays(why: str) -> Callable[[_Fault], type[Any]]:
    """Plays what it should refuse for this reason."""
    return lambda fault: fault.refusing(lambda _board, _cue, found: None if found == why else found)


def _forgets(fault: _Fault) -> type[Any]:
    whole = fault.brain

    def _refusal(board: Any, ms: int, cue: dict[str, Any], retain: bool) -> Any:
        board._cues = []
        return whole._refusal(board, ms, cue, retain)

    return fault.made(_refusal=_refusal)


def _deaf(fault: _Fault) -> type[Any]:
    return fault.made(_stop=lambda *_: None)


def _releases_always(fault: _Fault) -> type[Any]:
    return fault.made(_may_release=lambda *_: True)


def _plays_on_without_beat(fault: _Fault) -> type[Any]:
    return fault.made(_watch_beat=lambda *_: None)


def _said(leaf: str, **keys: Any) -> Callable[[_Fault], type[Any]]:
    """Says these values in every payload of a kind; a function makes one of what was said."""

    def change(_board: Any, action: tuple[Any, ...]) -> tuple[Any, ...]:
        if action[0] != "publish" or not action[1].endswith(f"/{leaf}"):
            return action
        said = json.loads(action[2])
        said |= {key: value(said) if callable(value) else value for key, value in keys.items()}
        said = {key: value for key, value in said.items() if value is not None}
        return (*action[:2], json.dumps(said).encode(), *action[3:])

    return lambda fault: fault.saying(change)


def _sent(leaf: str, qos: int, retain: bool) -> Callable[[_Fault], type[Any]]:
    def change(_board: Any, action: tuple[Any, ...]) -> tuple[Any, ...]:
        if action[0] != "publish" or not action[1].endswith(f"/{leaf}"):
            return action
        return (*action[:3], qos, retain, action[5])

    return lambda fault: fault.saying(change)


def _never_ends(fault: _Fault) -> type[Any]:
    """Plays its behaviour's own time, whatever the cue allows."""
    whole = fault.brain

    def _start(board: Any, ms: int, cue: dict[str, Any]) -> None:
        whole._start(board, ms, {**cue, "max_ms": 60_000})

    return fault.made(_start=_start)


def _without_old_epoch(fault: _Fault) -> type[Any]:
    return _said("report", epoch=None)(fault)


def _reads(kind: str, change: Callable[[bytes], bytes]) -> Callable[[_Fault], type[Any]]:
    def made(fault: _Fault) -> type[Any]:
        whole = fault.brain

        def _checked(board: Any, what: str, payload: bytes) -> Any:
            return whole._checked(board, what, change(payload) if what == kind else payload)

        return fault.made(_checked=_checked)

    return made


def _cut_at_2048(payload: bytes) -> bytes:
    """Reads the beginning of a payload that is too long, and takes it for all of it."""
    return payload if len(payload) <= 2048 else payload[: payload.index(b',"later"')] + b"}"


def _guessed(payload: bytes) -> bytes:
    return payload.replace(b'"soon"', b"400")


def _strict(payload: bytes) -> bytes:
    return b"" if b'"later"' in payload else payload


def _health_of_news(fault: _Fault) -> type[Any]:
    def change(board: Any, action: tuple[Any, ...]) -> tuple[Any, ...] | None:
        if action[0] != "publish" or not action[1].endswith("/health"):
            return action
        news = (board.epoch, board.stopped)
        is_news, board.news = news != getattr(board, "news", None), news
        return action if is_news else None

    return fault.saying(change)


def _one_connection(fault: _Fault) -> type[Any]:
    """Forgets to count connections; its will and its presence agree all the same."""
    whole = fault.brain

    def step(board: Any, ms: int, event: tuple[Any, ...]) -> Any:
        if event[0] == "connecting":
            board._conn = 0
        return whole.step(board, ms, event)

    return fault.made(step=step)


FAULTS: Final[dict[str, Callable[[_Fault], type[Any]]]] = {
    "plays-late": _plays("late"),
    "plays-retained": _plays("retained"),
    "plays-old-epoch": _plays("old-epoch"),
    "plays-without-beat": _plays("no-beat"),
    "plays-repeats": _forgets,
    "ignores-stop": _deaf,
    "releases-always": _releases_always,
    "plays-on-without-beat": _plays_on_without_beat,
    "never-ends": _never_ends,
    "hides-its-epoch": _without_old_epoch,
    "reads-half": _reads("cue", _cut_at_2048),
    "guesses": _reads("cue", _guessed),
    "strict": _reads("cue", _strict),
    "health-of-news": _health_of_news,
    "one-connection": _one_connection,
    "counts-twice": _said(
        "health", starts=lambda said: {each: 2 * n for each, n in said["starts"].items()}
    ),
    "counts-none-bad": _said("health", bad=0),
    "says-stopped": _said("health", stopped=None),
    "skips-seq": _said("motion", seq=lambda said: 2 * said["seq"]),
    "dates-wrong": _said("motion", at_ms=lambda said: said["at_ms"] + 5000),
    "up-time-back": _said("health", up_ms=lambda said: 1_000_000 - said["up_ms"]),
    "words-for-numbers": _said("motion", seq=lambda said: str(said["seq"])),
    "reports-once-at-most": _sent("report", 0, retain=False),
    "keeps-its-health": _sent("health", 0, retain=True),
    "presence-unkept": _sent("presence", 1, retain=False),
}


class SpoiltBoard:
    """One board on the loopback address. `config` is a board's own file as a value."""

    def __init__(self, kind: str, config: dict[str, Any]) -> None:
        with _LENDING:
            modules = load()
        _spoil(kind, modules)
        clock = modules["board"].Clock()
        parsed = modules["config"].parse(json.dumps(config))
        self._pins = modules["board"].ScriptPins(parsed, log=lambda _entry: None)
        self._link = modules["board"].Link()
        self._waiter = modules["board"].Waiter()
        radio = modules["board"].Radio(None)
        self._board = modules["loop"].Board(
            parsed, self._pins, self._link, radio, os.urandom, clock.now_ms()
        )
        self._clock = clock
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> "SpoiltBoard":
        self._thread.start()
        return self

    def tell(self, line: str) -> None:
        self._pins.command(line)

    def kill(self) -> None:
        self._ending.set()
        self._thread.join(5)
        self._board.close(self._clock.now_ms())

    def _run(self) -> None:
        while not self._ending.is_set():
            self._board.poll(self._clock.now_ms())
            if self._link.socket is None:
                time.sleep(0.01)
            else:
                self._waiter.wait([self._link.socket], 10)


def _spoil(kind: str, modules: dict[str, ModuleType]) -> None:
    brain, session = modules["brain"], modules["session"]
    setattr(brain, "Brain", spoilt(kind, brain.Brain))  # noqa: B010 - mypy knows no such module
    if kind == WITHOUT_WILL:
        setattr(session, "packets", _NoWill(modules["packets"]))  # noqa: B010


class _NoWill:
    """The module of packets, but that a CONNECT carries no will."""

    def __init__(self, packets: ModuleType) -> None:
        self._packets = packets

    def __getattr__(self, name: str) -> Any:
        return getattr(self._packets, name)

    def connect(self, client: str, keepalive_s: int, _will: Any, *who: Any) -> bytes:
        made: bytes = self._packets.connect(client, keepalive_s, None, *who)
        return made
