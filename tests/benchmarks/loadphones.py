"""Phones in one process that read a live stream and throw it away; ruder ones besides.

Frozen ones open a stream and never read it, cut ones vanish by a reset, callers reset at once.
"""

import multiprocessing as mp
import selectors
import socket
import struct
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import NamedTuple, Self

READ_BYTES = 1 << 18
SMALL_WINDOW_BYTES = 2048
RESET = struct.pack("ii", 1, 0)


class Door(NamedTuple):
    """Where the pages are, and what lets one in."""

    port: int
    token: str

    def open(self, page: str, *, small: bool = False) -> socket.socket:
        phone = socket.socket()
        if small:
            phone.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SMALL_WINDOW_BYTES)
        phone.connect(("127.0.0.1", self.port))
        words = f"GET /stream?page={page} HTTP/1.1\r\nhost: 127.0.0.1:{self.port}\r\n"
        phone.sendall(f"{words}authorization: Bearer {self.token}\r\n\r\n".encode())
        return phone


def reset(phone: socket.socket) -> None:
    """As a phone whose radio goes: no goodbye, what was on its way is lost."""
    with suppress(OSError):
        phone.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESET)
    phone.close()


def _read(door: Door, told: Connection) -> None:
    """`(open, cut)`: bring it to so many streams, of which so many are cut first."""
    selector, phones, heard = selectors.DefaultSelector(), list[socket.socket](), 0
    selector.register(told, selectors.EVENT_READ)
    while True:
        for key, _events in selector.select():
            if isinstance(key.fileobj, socket.socket):
                if key.fileobj.fileno() >= 0:  # else it was closed by an order in this very turn
                    heard += len(key.fileobj.recv(READ_BYTES))
                continue
            wanted, cut = told.recv()
            for each in phones[:cut]:
                selector.unregister(each)
                reset(each)
            del phones[:cut]
            while len(phones) > wanted:
                selector.unregister(gone := phones.pop())
                gone.close()
            while len(phones) < wanted:
                phones.append(door.open("tonight"))
                selector.register(phones[-1], selectors.EVENT_READ)
            told.send(heard)


class Phones:
    """The process, seen from outside."""

    def __init__(self, door: Door) -> None:
        self._told, theirs = mp.Pipe()
        self._process = mp.Process(target=_read, args=(door, theirs), daemon=True)

    def __enter__(self) -> Self:
        self._process.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.join()

    def bring_to(self, streams: int, cut: int = 0) -> int:
        """Return the bytes that all of them have read so far."""
        self._told.send((streams, cut))
        heard: int = self._told.recv()
        return heard


class Rude:
    """Frozen streams until the end of the block, and callers that reset as soon as they asked."""

    def __init__(self, door: Door, frozen: int, calls: int, seconds: float) -> None:
        self._door, self._frozen, self._calls = door, frozen, calls
        self._pause_s = seconds / calls
        self._phones: Sequence[socket.socket] = ()
        self._thread = threading.Thread(target=self._call)
        self.called = 0

    def __enter__(self) -> Self:
        self._phones = [self._door.open("tonight", small=True) for _ in range(self._frozen)]
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join()
        for each in self._phones:
            each.close()

    def _call(self) -> None:
        for _ in range(self._calls):
            reset(self._door.open("tonight"))
            self.called += 1
            time.sleep(self._pause_s)
