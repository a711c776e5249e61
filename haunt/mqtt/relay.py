"""Stands between boards and a broker: hands every byte on, looks into what boards say, cuts lines.

For trying boards out, never for a night. It changes no byte and answers nothing itself.
"""

import selectors
import socket
import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Final

from haunt.mqtt.listening import family_of
from haunt.wire.packets import (
    CONNECT,
    PUBLISH,
    NotMqtt,
    SignIn,
    Splitter,
    read_message,
    read_sign_in,
)
from haunt.wire.packets import Message as Said

READ_BYTES: Final = 4096
TURN_S: Final = 0.025
STUCK_S: Final = 2.0
LINES_MAX: Final = 200


class RelayRefused(Exception):  # noqa: N818 - the word says what happened
    """It cannot listen where boards look for their broker."""


class _Pair:
    """One board's line and its continuation to the broker; the name is known once it signs in."""

    def __init__(self, near: socket.socket) -> None:
        self.near = near
        self.far: socket.socket | None = None
        self.name = ""
        self.has_signed_in = False
        self.splitter = Splitter()


class Relay:
    """`cut` and what was seen may be asked from any thread; one thread of its own moves bytes."""

    def __init__(self, host: str, port: int, broker: tuple[str, int]) -> None:
        """Raises RelayRefused."""
        self._broker = broker
        try:
            self._listener = socket.create_server((host, port), family=family_of(host))
        except OSError as fault:
            raise RelayRefused(f"nothing can listen on {host}:{port}: {fault.strerror}") from fault
        self.port: int = self._listener.getsockname()[1]
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._pairs: list[_Pair] = []
        self._seen = threading.Lock()
        self._out: set[str] = set()
        self._sign_ins: dict[str, list[SignIn]] = {}
        self._said: dict[str, list[Said]] = {}
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._ending.set()
        self._thread.join(2 * TURN_S + STUCK_S)

    def cut(self, board: str) -> None:
        """Close its line without a goodbye, and every new one, until it is let back."""
        with self._seen:
            self._out.add(board)

    def let_back(self, board: str) -> None:
        with self._seen:
            self._out.discard(board)

    def sign_ins(self, board: str) -> Sequence[SignIn]:
        with self._seen:
            return tuple(self._sign_ins.get(board, ()))

    def said(self, board: str) -> Sequence[Said]:
        with self._seen:
            return tuple(self._said.get(board, ()))

    # --- its own thread

    def _run(self) -> None:
        while not self._ending.is_set():
            for key, _ready in self._selector.select(TURN_S):
                if key.fileobj is self._listener:
                    self._accept()
                elif key.data in self._pairs and isinstance(key.fileobj, socket.socket):
                    self._move(key.data, key.fileobj)
            self._cut_those_out()
        for pair in list(self._pairs):
            self._close(pair)
        self._selector.close()
        self._listener.close()

    def _accept(self) -> None:
        near, _address = self._listener.accept()
        if len(self._pairs) >= LINES_MAX:
            near.close()
            return
        pair = _Pair(near)
        self._watch(near, pair)
        self._pairs.append(pair)

    def _watch(self, line: socket.socket, pair: _Pair) -> None:
        line.settimeout(STUCK_S)
        line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._selector.register(line, selectors.EVENT_READ, pair)

    def _move(self, pair: _Pair, line: socket.socket) -> None:
        """Whoever ends, or is no packet, ends both sides."""
        try:
            data = line.recv(READ_BYTES)
            if not data:
                self._close(pair)
            elif line is pair.near:
                self._look(pair, data)
                self._far(pair).sendall(data)
            else:
                pair.near.sendall(data)
        except (OSError, NotMqtt):
            self._close(pair)

    def _look(self, pair: _Pair, data: bytes) -> None:
        for each in pair.splitter.feed(data):
            with self._seen:
                if each.kind == CONNECT:
                    found = read_sign_in(each.body)
                    pair.name = found.username or found.client_id
                    pair.has_signed_in = True
                    if pair.name in self._out:
                        raise ConnectionAbortedError
                    self._sign_ins.setdefault(pair.name, []).append(found)
                elif not pair.has_signed_in:
                    raise NotMqtt("something else before the CONNECT")
                elif each.kind == PUBLISH:
                    said = read_message(each.flags, each.body)
                    self._said.setdefault(pair.name, []).append(said)

    def _far(self, pair: _Pair) -> socket.socket:
        if pair.far is None:
            pair.far = socket.create_connection(self._broker, STUCK_S)
            self._watch(pair.far, pair)
        return pair.far

    def _cut_those_out(self) -> None:
        with self._seen:
            out = [pair for pair in self._pairs if pair.name in self._out]
        for pair in out:
            self._close(pair)

    def _close(self, pair: _Pair) -> None:
        if pair not in self._pairs:
            return
        self._pairs.remove(pair)
        for line in (pair.near, pair.far):
            if line is not None:
                with suppress(KeyError, ValueError):
                    self._selector.unregister(line)
                line.close()
