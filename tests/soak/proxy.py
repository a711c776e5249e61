"""A wire between a client and its broker that can be cut, swallowed one way or both, and mended."""

import selectors
import socket
import struct
import threading
from contextlib import suppress
from typing import Self

PASS, SWALLOW, SWALLOW_BACK = "pass", "swallow", "swallow-back"


class Proxy:
    """Listens on a free port of loopback; `mode` holds for every connection, old and new."""

    def __init__(self, port: int) -> None:
        self._target = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.mode = PASS
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._clients: set[socket.socket] = set()
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._ending = False
        self._guard = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        self._thread.join(5)
        self.cut()
        self._listener.close()
        self._selector.close()

    def cut(self, *, hard: bool = True) -> None:
        """Reset every connection on both sides, as a router does that restarts; or hang up."""
        with self._guard:
            for each in list(self._pairs):
                self._drop(each, hard=hard)

    def _run(self) -> None:
        while not self._ending:
            for key, _ready in self._selector.select(0.05):
                sock = key.fileobj
                assert isinstance(sock, socket.socket)
                with self._guard:
                    if sock is self._listener:
                        self._accept()
                    elif sock in self._pairs:
                        self._carry(sock)

    def _accept(self) -> None:
        client, _address = self._listener.accept()
        try:
            broker = socket.create_connection(("127.0.0.1", self._target), 2)
        except OSError:
            client.close()
            return
        self._clients.add(client)
        for one, other in ((client, broker), (broker, client)):
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._pairs[one] = other
            self._selector.register(one, selectors.EVENT_READ)

    def _carry(self, sock: socket.socket) -> None:
        try:
            chunk = sock.recv(65_536)
            swallowed = self.mode == SWALLOW or (
                self.mode == SWALLOW_BACK and sock not in self._clients
            )
            if chunk and not swallowed:
                self._pairs[sock].sendall(chunk)
        except OSError:
            chunk = b""
        # A peer that goes while the wire is dead is not heard of by the other.
        if not chunk and self.mode == PASS:
            self._drop(sock, hard=False)
        elif not chunk:
            self._selector.unregister(sock)

    def _drop(self, sock: socket.socket, *, hard: bool) -> None:
        for each in (sock, self._pairs.get(sock)):
            if each is None:
                continue
            self._pairs.pop(each, None)
            self._clients.discard(each)
            with suppress(KeyError, ValueError):
                self._selector.unregister(each)
            if hard:
                with suppress(OSError):
                    each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            each.close()
