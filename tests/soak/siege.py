"""What may befall a server all at once: a locked database, no room, frozen phones, a storm."""

import os
import resource
import shutil
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any, Self

from tests.mqtt.raw import RawClient, Will, connect, publish
from tests.system.house import Server

PHONES = 20
STORM_BATCH, STORM_PAUSE_S = 40, 0.01
REFILL_S = 0.02
NO_ROOM_BYTES = 64 * 4096
BEACON = "locked"
LOCK = f"""
import sqlite3, sys
connection = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=30)
connection.execute("BEGIN IMMEDIATE")
print("{BEACON}", flush=True)
sys.stdin.read()
"""


@contextmanager
def locked(database: Path) -> Iterator[None]:
    """Another process holds a write transaction until the end of the block."""
    holder = subprocess.Popen(
        [sys.executable, "-c", LOCK, database],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == BEACON
        yield
    finally:
        holder.kill()
        holder.communicate()


class Disk:
    """The folder's own small disk where we may mount one; `full` leaves no byte of it.

    Elsewhere the kernel is told to refuse the server every write to a file. Not the broker: it
    would end of the signal that comes with it, which no full disk sends.
    """

    def __init__(self, folder: Path, size: str = "64m") -> None:
        self._folder = folder
        words = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
        self.is_small = os.geteuid() == 0 and _done(words)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.is_small:
            subprocess.run(["umount", "-l", self._folder], check=True)

    @contextmanager
    def full(self, pid: int) -> Iterator[None]:
        if not self.is_small:
            _limit(pid, 1)
        ballast, ending = self._folder / "ballast", threading.Event()
        filling = threading.Thread(target=_keep_full, args=(ballast, ending))
        if self.is_small:
            fill(ballast)
            filling.start()
        try:
            yield
        finally:
            ending.set()
            if self.is_small:
                filling.join()
                ballast.unlink()
            else:
                _limit(pid, resource.RLIM_INFINITY)

    def has_room(self, pid: int) -> bool:
        """The proof that the fault is there; a page that was just let go is no room."""
        if self.is_small:
            return shutil.disk_usage(self._folder).free > NO_ROOM_BYTES
        return resource.prlimit(pid, resource.RLIMIT_FSIZE)[0] != 1


def fill(path: Path) -> None:
    with path.open("ab", buffering=0) as ballast, suppress(OSError):
        while True:
            ballast.write(b"\0" * 4096)


def _keep_full(ballast: Path, ending: threading.Event) -> None:
    """Whoever gives up a file that it could not write lets go of what it had."""
    while not ending.wait(REFILL_S):
        fill(ballast)


def _done(words: Sequence[str]) -> bool:
    return not subprocess.run(words, capture_output=True, check=False).returncode


def _limit(pid: int, size: int) -> None:
    with suppress(ProcessLookupError):
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


@contextmanager
def frozen_phones(server: Server, count: int = PHONES) -> Iterator[list[socket.socket]]:
    """Streams that are open and never read; their windows are small, so that they fill soon."""
    phones = [frozen_phone(server) for _ in range(count)]
    try:
        yield phones
    finally:
        for each in phones:
            each.close()


def frozen_phone(server: Server) -> socket.socket:
    phone = socket.socket()
    phone.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    phone.connect(("127.0.0.1", server.port))
    words = f"GET /stream HTTP/1.1\r\nhost: 127.0.0.1:{server.port}\r\n"
    phone.sendall(f"{words}authorization: Bearer {server.token}\r\n\r\n".encode())
    return phone


class Storm:
    """A board gone mad: thousands of motions a second, more than any server decides."""

    def __init__(self, account: dict[str, Any], boot: str = "ba0000000001") -> None:
        self._account, self._boot = account, boot
        self.sent = 0
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        """Through restarts of the broker: it signs in again and goes on."""
        while not self._ending.is_set():
            try:
                with closing(self._signed_in()) as client:
                    while not self._ending.is_set():
                        self._gust(client)
            except (OSError, AssertionError):
                self._ending.wait(0.05)

    def _signed_in(self) -> RawClient:
        account = self._account
        name, password = account["username"].encode(), account["password"].encode()
        client = RawClient(account["port"])
        try:
            will = Will(f"{account['root']}/{account['username']}/presence".encode(), b"{}")
            assert client.sign_in(connect(name, password, will=will)) == 0
        except BaseException:
            client.close()
            raise
        return client

    def _gust(self, client: RawClient) -> None:
        account, board = self._account, self._account["username"]
        topic = f"{account['root']}/{board}/motion".encode()
        packets = []
        for _ in range(STORM_BATCH):
            self.sent += 1
            packets.append(
                publish(
                    topic,
                    b'{"sensor":"%s-mat","boot":"%s","seq":%d,"age_ms":0}'
                    % (board.encode(), self._boot.encode(), self.sent),
                )
            )
        began = time.monotonic()
        client.send(b"".join(packets))
        for _ in packets:
            client.read()  # its acknowledgement
        self._ending.wait(max(0.0, STORM_PAUSE_S - (time.monotonic() - began)))


@contextmanager
def all_at_once(
    server: Server, disk: Disk, storms: Sequence[dict[str, Any]]
) -> Iterator[list[Storm]]:
    """Everything in this module, until the end of the block."""
    assert server.process is not None
    with ExitStack() as ending:
        ending.enter_context(frozen_phones(server))
        ending.enter_context(locked(server.data / "haunt.db"))
        ending.enter_context(disk.full(server.process.pid))
        yield [ending.enter_context(Storm(each)) for each in storms]


def is_locked(database: Path) -> bool:
    """Whether a write would have to wait: the proof that the fault is there."""
    with closing(sqlite3.connect(database, isolation_level=None, timeout=0)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            return True
        connection.execute("ROLLBACK")
    return False
