"""A line to the broker whose callbacks, turns or whole thread fail once, when a run says so."""

import ctypes
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, ClassVar, Final

from paho.mqtt.client import Client

from haunt.mqtt import client as ours
from haunt.mqtt.line import Line

CALLBACKS: Final = ("on_socket_open", "on_connect", "on_subscribe", "on_message")
"""All that paho calls and that do something; `on_socket_register_write` has no body to fail."""
TURN, PUMP = "a turn", "the pump"


class Sprung(Exception):  # noqa: N818 - the word says what happened
    """What a trap raises."""


class TrappedLine(Line):
    """`armed` names by port what fails next; whatever fails is taken out first."""

    armed: ClassVar[dict[int, str]] = {}

    def turn(self, wait_s: float) -> bool:
        self._spring(TURN)
        return super().turn(wait_s)

    def _make_client(self) -> Client:
        client = super()._make_client()
        for name in CALLBACKS:
            setattr(client, name, self._trapped(name, getattr(client, name)))
        return client

    def _trapped(self, name: str, whole: Callable[..., Any]) -> Callable[..., Any]:
        def called(*words: Any) -> Any:
            self._spring(name)
            return whole(*words)

        return called

    def _spring(self, name: str) -> None:
        port = self._account.port
        if self.armed.get(port) == name:
            del self.armed[port]
            raise Sprung(name)


@contextmanager
def trapped() -> Iterator[dict[int, str]]:
    """Every line opened within the block can fail; the table of what is to."""
    ours.Line = TrappedLine  # type: ignore[attr-defined]
    try:
        yield TrappedLine.armed
    finally:
        ours.Line = Line  # type: ignore[attr-defined]


def end_thread(thread: threading.Thread) -> None:
    """Raise SystemExit in it, wherever it is, as nothing in Python can but a thread's own end."""
    assert thread.ident is not None
    ident = ctypes.c_ulong(thread.ident)
    ctypes.pythonapi.PyThreadState_SetAsyncExc(ident, ctypes.py_object(SystemExit))
