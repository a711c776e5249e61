"""Two hundred light boards in one process: what they send, what comes back, and how long it took.

Each has a connection of its own and answers cues as the firmware does. A motion for the server is
followed by one for the bare echo, half a pace later, so that both meet the same machine.
"""

import heapq
import json
import multiprocessing as mp
import selectors
import socket
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from typing import NamedTuple, Self

from tests.mqtt.raw import PINGREQ, PUBACK, PUBLISH, connect, packet, publish, subscribe

BOOT = "7f3a91c2d405"
ROOT, ECHO_ROOT = b"haunt/load", b"haunt/echo"
HEALTH_S = 5.0
PLAYS_S = 0.3
SETTLE_S = 5.0
"""How long a cue may take before it counts as lost."""
READ_BYTES = 65536


class Times(NamedTuple):
    """Milliseconds from motion to cue, sorted; what never came back is counted."""

    ours: list[float]
    echo: list[float]
    ours_lost: int
    echo_lost: int

    def and_then(self, later: "Times") -> "Times":
        return Times(
            sorted(self.ours + later.ours),
            sorted(self.echo + later.echo),
            self.ours_lost + later.ours_lost,
            self.echo_lost + later.echo_lost,
        )


class _Board:
    """One connection; `motions` counts what this boot has told, as the server asks."""

    def __init__(self, port: int, number: int) -> None:
        self.name = f"b{number}".encode()
        self.sensor, self.prop = f"s{number}", f"p{number}"
        self.motions = self.starts = 0
        self.got = bytearray()
        self.sock = socket.create_connection(("127.0.0.1", port), 10)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        cues = (b"%s/%s/cue" % (root, self.name) for root in (ROOT, ECHO_ROOT))
        self.sock.sendall(connect(None, client_id=self.name))
        self.sock.sendall(subscribe(*cues, ROOT + b"/all/#"))

    def say(self, kind: bytes, *, root: bytes = ROOT, qos: int = 1, **payload: object) -> None:
        retain = kind == b"presence"
        body = json.dumps(payload, separators=(",", ":")).encode()
        topic = b"%s/%s/%s" % (root, self.name, kind)
        self.sock.sendall(publish(topic, body, qos=qos, retain=retain))

    def packets(self) -> list[tuple[int, bytes]]:
        """Read what there is; return the packets that are whole."""
        self.got += self.sock.recv(READ_BYTES)
        found = []
        while (end := _end_of(self.got)) is not None:
            start, stop = end
            if len(self.got) < stop:
                break
            found.append((self.got[0], bytes(self.got[start:stop])))
            del self.got[:stop]
        return found


def _end_of(got: bytearray) -> tuple[int, int] | None:
    """Where the body of the first packet begins and ends."""
    length = shift = 0
    for at in range(1, len(got)):
        length |= (got[at] & 0x7F) << shift
        shift += 7
        if got[at] < 0x80:
            return at + 1, at + 1 + length
    return None


class _Garden:
    """All boards on one selector, with a heap of what is due."""

    def __init__(self, port: int, boards: int) -> None:
        self._boards = [_Board(port, n) for n in range(boards)]
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._order = self._seq = 0
        self._sent: dict[tuple[bytes, bytes, int], float] = {}
        self._took: dict[bytes, list[float]] = {ROOT: [], ECHO_ROOT: []}
        self._selector = selectors.DefaultSelector()
        began = time.perf_counter()
        for n, board in enumerate(self._boards):
            self._selector.register(board.sock, selectors.EVENT_READ, board)
            board.say(b"presence", state="here", boot=BOOT, conn=1, up_ms=99_000, reset="power-on")
            self._at(began + HEALTH_S * n / boards, self._telling(board))

    def measure(self, seconds: float, per_second: float) -> Times:
        """Let visitors pass at an even pace, one board after the other."""
        self._sent.clear()
        for each in self._took.values():
            each.clear()
        begin, count = time.perf_counter() + 0.05, round(seconds * per_second)
        for k in range(count):
            board = self._boards[k % len(self._boards)]
            self._at(begin + k / per_second, self._passing(ROOT, board))
            self._at(begin + (k + 0.5) / per_second, self._passing(ECHO_ROOT, board))
        self.run_until(begin + seconds)
        end = time.perf_counter() + SETTLE_S
        while self._sent and (now := time.perf_counter()) < end:
            self.run_until(min(end, now + 0.05))
        ours, echo = sorted(self._took[ROOT]), sorted(self._took[ECHO_ROOT])
        return Times(ours, echo, count - len(ours), count - len(echo))

    def run_until(self, end: float) -> None:
        while (now := time.perf_counter()) < end:
            wait = min(end, self._due[0][0]) - now if self._due else end - now
            for key, _events in self._selector.select(max(0.0, wait)):
                for first, body in key.data.packets():
                    if first & 0xF0 == PUBLISH:
                        self._hear(key.data, first, body)
            while self._due and self._due[0][0] <= time.perf_counter():
                heapq.heappop(self._due)[2]()

    def _at(self, when: float, what: Callable[[], None]) -> None:
        self._order += 1  # so that two of one instant are not compared further
        heapq.heappush(self._due, (when, self._order, what))

    def _passing(self, root: bytes, board: _Board) -> Callable[[], None]:
        def motion() -> None:
            self._seq += 1
            if root is ROOT:
                board.motions += 1
            self._sent[root, board.name, self._seq] = time.perf_counter()
            board.say(b"motion", root=root, sensor=board.sensor, boot=BOOT, seq=self._seq, age_ms=0)

        return motion

    def _telling(self, board: _Board) -> Callable[[], None]:
        def health() -> None:
            now = time.perf_counter()
            board.say(
                b"health",
                qos=0,
                boot=BOOT,
                up_ms=99_000 + round(now * 1000) % 10**9,
                battery_mv=7410,
                rssi=-61,
                starts={board.prop: board.starts},
                motions={board.sensor: board.motions},
                stopped=False,
            )
            board.sock.sendall(packet(PINGREQ, b""))
            self._at(now + HEALTH_S, health)

        return health

    def _hear(self, board: _Board, first: int, body: bytes) -> None:
        now = time.perf_counter()
        end = 2 + int.from_bytes(body[:2], "big")
        topic, start = body[2:end], end + (2 if first & 0x06 else 0)
        if first & 0x06:
            board.sock.sendall(packet(PUBACK, body[end:start]))
        if not topic.endswith(b"/cue"):
            return
        root, cue = topic.rsplit(b"/", 2)[0], json.loads(body[start:])["cue"]
        began = self._sent.pop((root, board.name, int(cue.split("-")[2])), None)
        if began is not None:
            self._took[root].append((now - began) * 1000)
        if root == ROOT:
            self._play(board, cue, now)

    def _play(self, board: _Board, cue: str, now: float) -> None:
        board.starts += 1
        board.say(b"report", cue=cue, boot=BOOT, state="started")
        self._at(now + PLAYS_S, lambda: board.say(b"report", cue=cue, boot=BOOT, state="finished"))


def _live(port: int, boards: int, told: Connection) -> None:
    garden = _Garden(port, boards)
    while True:
        garden.run_until(time.perf_counter() + 0.1)
        if told.poll():
            asked = told.recv()
            if asked is None:
                return
            told.send(garden.measure(*asked))


class Boards:
    """The process, seen from outside."""

    def __init__(self, port: int, boards: int) -> None:
        self._told, theirs = mp.Pipe()
        self._process = mp.Process(target=_live, args=(port, boards, theirs), daemon=True)

    def __enter__(self) -> Self:
        self._process.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.join()

    def begin(self, seconds: float, per_second: float) -> None:
        self._told.send((seconds, per_second))

    def measured(self, patience_s: float) -> Times:
        """Wait for what was begun."""
        if not self._told.poll(patience_s):
            raise AssertionError("the boards do not answer")
        found: Times = self._told.recv()
        return found
