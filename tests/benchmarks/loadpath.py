"""Processor time of one motion, packet in to cue out and row kept, beside that of a bare echo.

`python -m tests.benchmarks.loadpath [MOTIONS] [ROUNDS]`. The broker is a stub that keeps 64 motions
under way, in a process of its own. Processor time of threads is told, which other work on the
machine changes little; a round of the echo and one of ours are taken in turn.
"""

import json
import multiprocessing as mp
import socket
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import NamedTuple

from haunt.bootstrap.clock import SystemClock
from haunt.bootstrap.offline import open_store
from haunt.config import read_config
from haunt.core.arbiter import Arbiter
from haunt.live.loglines import Told
from haunt.live.night import RunningNight
from haunt.live.owner import Owner
from haunt.live.prepare import prepare
from haunt.live.scene import Scene
from haunt.mqtt.client import Account, BrokerClient
from haunt.store.journal import SqlJournal
from haunt.wire.showfile import read_show
from haunt.wire.topics import Topics
from tests.benchmarks.round_trip import BOARDS, BOOT, RATE_PROPS, WINDOW, echo, show_text
from tests.mqtt.raw import PINGREQ, PINGRESP, PUBACK, PUBLISH, packet, publish

MOTIONS, ROUNDS = 5000, 5
CONNACK = packet(0x20, b"\x00\x00")
READ_BYTES = 1 << 16


class Cost(NamedTuple):
    """Microseconds of processor time a motion."""

    link_us: float
    journal_us: float

    @property
    def whole_us(self) -> float:
        return self.link_us + self.journal_us


# --- the stub of a broker


def _packets(sock: socket.socket, got: bytearray) -> Iterator[tuple[int, bytes]]:
    got += sock.recv(READ_BYTES)
    at = 0
    while len(got) - at >= 2:
        length, size = got[at + 1] & 0x7F, 2
        if got[at + 1] & 0x80:
            if len(got) - at < 3:
                break
            length, size = length | got[at + 2] << 7, 3
        if len(got) - at < size + length:
            break
        yield got[at], bytes(got[at + size : at + size + length])
        at += size + length
    del got[:at]


def _greet(sock: socket.socket, got: bytearray) -> None:
    """Answer CONNECT and SUBSCRIBE, and tell of every board that it is here."""
    while True:
        for first, body in _packets(sock, got):
            if first == 0x10:
                sock.sendall(CONNACK)
            elif first == 0x82:
                codes = b"\x01" * body.count(b"haunt/")
                sock.sendall(packet(0x90, body[:2] + codes))
                for n in range(BOARDS if b"presence" in body else 0):
                    topic = f"haunt/bench/b{n}/presence".encode()
                    here = f'{{"state":"here","boot":"{BOOT}","conn":1,"up_ms":99000}}'.encode()
                    sock.sendall(publish(topic, here))
                return


def _stub(listener: socket.socket, motions: int, told: Connection) -> None:
    sock, _address = listener.accept()
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    got, sent, back = bytearray(), 0, 0
    _greet(sock, got)
    told.recv()  # both sides are ready
    raw = [_motion(n) for n in range(motions)]
    sock.sendall(b"".join(raw[:WINDOW]))
    sent = WINDOW
    while back < motions:
        answers = bytearray()
        for first, body in _packets(sock, got):
            if first == PINGREQ:
                answers += packet(PINGRESP, b"")
            elif first & 0xF0 == PUBLISH and first & 0x06:
                end = 2 + int.from_bytes(body[:2], "big")
                answers += packet(PUBACK, body[end : end + 2])
                if body[2:end].endswith(b"/cue"):
                    back += 1
                    if sent < motions:
                        answers += raw[sent]
                        sent += 1
        sock.sendall(answers)
    told.send(back)
    told.recv()


def _motion(n: int) -> bytes:
    board, prop = n % BOARDS, n % RATE_PROPS
    payload = {"sensor": f"s{prop}", "boot": BOOT, "seq": n + 1, "age_ms": 0}
    raw = publish(f"haunt/bench/b{board}/motion".encode(), json.dumps(payload).encode())
    return raw.replace(b"motion\x00\x07", b"motion" + (1 + n % 65535).to_bytes(2, "big"))


@contextmanager
def _broker(motions: int) -> Iterator[tuple[int, Connection]]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        told, theirs = mp.Pipe()
        process = mp.Process(target=_stub, args=(listener, motions, theirs), daemon=True)
        process.start()
        try:
            yield listener.getsockname()[1], told
        finally:
            process.kill()
            process.join()


# --- both sides


def _spent_s(thread: str) -> float:
    [found] = [each for each in threading.enumerate() if each.name == thread and each.ident]
    assert found.ident is not None
    return time.clock_gettime(time.pthread_getcpuclockid(found.ident))


def _answered(told: Connection) -> None:
    """Let the motions go, and wait until every one had its cue."""
    told.send(None)
    assert told.poll(300), "not every motion was answered"
    told.recv()


def echo_cost(motions: int) -> Cost:
    with _broker(motions) as (port, told):
        bare = mp.Process(target=echo, args=(port,), daemon=True)
        bare.start()
        time.sleep(0.5)
        spent = Path(f"/proc/{bare.pid}/schedstat")
        before = int(spent.read_text().split()[0])
        _answered(told)
        after = int(spent.read_text().split()[0])
        bare.kill()
        bare.join()
        return Cost((after - before) / 1000 / motions, 0.0)


def our_cost(motions: int, folder: Path) -> Cost:
    with ExitStack() as ending:
        port, told = ending.enter_context(_broker(motions))
        config = read_config(folder, {}, {})
        engine, reading = open_store(config)
        ending.callback(engine.dispose)
        ending.callback(reading.dispose)
        clock, journal = SystemClock(0), SqlJournal(engine)
        ending.callback(journal.close)
        prepared = prepare(read_show(show_text(RATE_PROPS), "show").show)
        owner_of: list[Owner] = []  # the two want each other
        wanted = [
            (each.topic, int(each.qos)) for each in Topics("bench").controller_subscriptions()
        ]
        account = Account("127.0.0.1", port, client_id="bench-controller")
        client = BrokerClient(
            account,
            wanted,
            "haunt/bench/controller/ping",
            clock,
            lambda it: owner_of[0].deliver(it),  # noqa: PLW0108 - there is none yet
        )
        running = RunningNight(Arbiter(prepared.show), client, journal, clock_id="c1")
        owner_of.append(Owner(running, Scene(running, journal, prepared.labels), clock))
        journal.start(Told(running.receipts))
        client.start()
        ending.callback(client.stop)
        while not running.begun or not all(e.here for e in running.arbiter.night.boards.values()):
            time.sleep(0.05)
            running.advance(clock.mono_ms(), clock.wall_ms())

        before = [_spent_s(each) for each in ("mqtt", "journal")]
        _answered(told)
        while journal.counts().backlog:
            time.sleep(0.01)
        after = [_spent_s(each) for each in ("mqtt", "journal")]
        return Cost(*(1e6 * (b - a) / motions for a, b in zip(before, after, strict=True)))


def rounds(motions: int, count: int) -> Iterator[tuple[Cost, Cost]]:
    for _ in range(count):
        with tempfile.TemporaryDirectory() as folder:
            yield echo_cost(motions), our_cost(motions, Path(folder))


def main() -> None:
    motions = int(sys.argv[1]) if len(sys.argv) > 1 else MOTIONS
    count = int(sys.argv[2]) if len(sys.argv) > 2 else ROUNDS
    taken = []
    for bare, ours in rounds(motions, count):
        taken.append(ours.whole_us / bare.whole_us)
        print(
            f"echo {bare.whole_us:6.1f} us; ours {ours.whole_us:6.1f} us: link and decisions "
            f"{ours.link_us:6.1f}, journal {ours.journal_us:6.1f}; ratio {taken[-1]:.2f}"
        )
    print(f"median of {count}: {statistics.median(taken):.2f} times the echo's processor time")


if __name__ == "__main__":
    main()
