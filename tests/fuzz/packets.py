"""Mutated MQTT packets, thrown at the kept broker's listener and at our own end of the line."""

import os
import socket
import struct
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Self

from haunt.core.dice import draw
from haunt.mqtt.client import Account, BrokerClient, Pace
from tests.fakes.mqtt_line import Inbox
from tests.fuzz.mutation import Mutation
from tests.mqtt import attacks, raw
from tests.mqtt.raw import RawClient, Will, connect, packet, publish, subscribe
from tests.mqtt.rig import PING, ROOT, WANTED, Mosquitto, Peer, account, running, until
from tests.mqtt.stage import Garden
from tests.soak.outcome import Outcome

GROWTH_MAX_KB = 20_000
HASTY = Pace(ping_ms=50, dead_ms=300, retry_min_ms=1, retry_max_ms=2)


def client_grains(garden: Garden) -> list[bytes]:
    """Packets that a board may send, signed in as one or not."""
    name, password = b"b2", garden.passwords["b2"].encode()
    own = b"haunt/garden/b2/motion"
    signed = connect(name, password, will=Will(own))
    return [
        signed,
        connect(None, client_id=b"x"),
        connect(name, b"wrong", clean=False),
        signed + publish(own, b"{}"),
        signed + publish(own, b"x" * 4000, qos=0, retain=True),
        signed + publish(own, b"", qos=2),
        signed + subscribe(b"haunt/garden/b2/cue", b"#"),
        signed + packet(0xA2, b"\x00\x01" + raw.text(b"#")),
        signed + packet(0x40, b"\x00\x07") + packet(0x62, b"\x00\x07") + packet(0xC0, b""),
        signed + packet(0x30, b"", claim=268_435_455),
        signed + packet(0x82, b"\x00\x01" + (raw.text(b"a/+/#") + b"\x02") * 300),
        packet(0x10, b"", claim=4096) + b"\x00" * 4096,
        signed + signed,
        signed + packet(0xE0, b"") + publish(own, b"late"),
    ]


def at_the_broker(count: int, seed: int, folder: Path) -> Outcome:
    """Throw them at Mosquitto; a board beside it must hear every cue, and memory must stay."""
    outcome, garden = Outcome(), Garden(folder)
    try:
        garden.admit("b1", "b2")
        garden.start()
        pid, mutation = garden.kept.pid, Mutation(seed, client_grains(garden))
        cue = b"haunt/garden/b1/cue"
        with attacks.let_in_a_spy(garden) as spy:
            victim = attacks.signed_in(garden, "b1")
            assert victim is not None
            victim.send(subscribe(cue))
            _throw(garden, mutation, 0, min(count, 50))  # what it keeps for good is there by now
            before_kb = resident_kb(garden.kept.pid)
            for first in range(0, count, 100):
                last = min(first + 100, count)
                _throw(garden, mutation, first, last)
                outcome.injected["mutated packets to the broker"] += last - first
                spy.send(publish(cue, b"%d" % first))
                spy.heard()
                told = [each.payload for each in victim.heard()]
                outcome.expect(
                    told == [b"%d" % first], f"after packet {last} the board heard {told}"
                )
            victim.close()
            grown = resident_kb(garden.kept.pid) - before_kb
        outcome.noted["the broker grew by, KB"] = grown
        outcome.expect(grown < GROWTH_MAX_KB, f"the broker grew by {grown} KB")
        outcome.expect(garden.kept.pid == pid and not garden.kept.restarts, "the broker died")
    finally:
        garden.end()
    return outcome


def _throw(garden: Garden, mutation: Mutation, first: int, last: int) -> None:
    for number in range(first, last):
        client = RawClient(garden.kept.port)
        with suppress(OSError):
            client.send(mutation.made(number))
        if number % 2:
            client.vanish()
        else:
            client.close()


def resident_kb(pid: int | None) -> int:
    status = Path(f"/proc/{pid}/status").read_text()
    [line] = [each for each in status.splitlines() if each.startswith("VmRSS")]
    return int(line.split()[1])


# --- our own end

SERVER_GRAINS = [
    packet(0x20, b"\x00\x00"),
    packet(0x20, b"\x00\x05"),
    packet(0x90, b"\x00\x01\x01\x00\x00"),
    packet(0x30, raw.text(f"{ROOT}/gate/motion".encode()) + b"{}"),
    packet(0x32, raw.text(f"{ROOT}/gate/motion".encode()) + b"\x00\x09{}"),
    packet(0x3A, raw.text(f"{ROOT}/gate/motion".encode()) + b"\x00\x09{}"),
    packet(0x34, raw.text(f"{ROOT}/gate/health".encode()) + b"\x00\x0a{}"),
    packet(0x30, raw.text(PING.encode()) + b"12"),
    packet(0x30, raw.text(b"\xff\xfe") + b"x"),
    packet(0x30, b"", claim=268_435_455),
    packet(0x40, b"\x00\x01"),
    packet(0x50, b"\x00\x01"),
    packet(0x62, b"\x00\x01"),
    packet(0x70, b"\x00\x01"),
    packet(0xB0, b"\x00\x01"),
    packet(0xD0, b""),
    packet(0xF0, b"\x00"),
    packet(0x00, b""),
]


class Babbler:
    """A broker gone mad: signs clients in or not, says mutated packets, and hangs up."""

    def __init__(self, seed: int) -> None:
        self._seed, self._mutation = seed, Mutation(seed, SERVER_GRAINS)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self.port: int = self._listener.getsockname()[1]
        self.said = self.visits = 0
        self._ending = False
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        self._thread.join(10)
        self._listener.close()

    def _run(self) -> None:
        while not self._ending:
            try:
                sock, _address = self._listener.accept()
            except TimeoutError:
                continue
            with sock, suppress(OSError):
                sock.settimeout(0.2)
                self._visit(sock)

    def _visit(self, sock: socket.socket) -> None:
        self.visits += 1
        asked = draw(self._seed, f"visit {self.visits}", 4)
        if asked:
            sock.recv(4096)  # its CONNECT
            sock.sendall(packet(0x20, b"\x00\x00"))
            subscribe_mid = _mid_of(sock.recv(4096))
            if asked > 1:
                sock.sendall(packet(0x90, subscribe_mid + b"\x01\x00\x00"))
        for _ in range(1 + draw(self._seed, f"words {self.visits}", 6)):
            self.said += 1
            sock.sendall(self._mutation.made(self.said))
        if draw(self._seed, f"reset {self.visits}", 2):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def _mid_of(raw_packet: bytes) -> bytes:
    """Return a SUBSCRIBE's message id; it follows the length, which is one or two bytes."""
    at = 2 if len(raw_packet) < 130 else 3
    return raw_packet[at : at + 2]


def at_our_end(count: int, seed: int, folder: Path) -> Outcome:
    """Let the client meet a mad broker, then a sane one: it must be as good as new."""
    outcome, inbox = Outcome(), Inbox()
    with Babbler(seed) as babbler:
        who = Account("127.0.0.1", babbler.port, client_id="yard-controller")
        with running(who, inbox.deliver, pace=HASTY, wanted=WANTED) as client:
            until(lambda: babbler.visits >= 20)
            files, threads = _open_files(), threading.active_count()
            before_kb = resident_kb(os.getpid())
            _babble(babbler, client, count, outcome)
            outcome.injected["mutated packets to the client"] += babbler.said
            outcome.noted["connections"] += babbler.visits
            grown = resident_kb(os.getpid()) - before_kb
            outcome.noted["our end grew by, KB"] = grown
            outcome.expect(client.statistics().pump_alive, "the pump died")
            outcome.expect(
                _open_files() <= files + 6, f"{_open_files() - files} files are left open"
            )
            outcome.expect(threading.active_count() <= threads, "threads are left")
            outcome.expect(grown < 3 * GROWTH_MAX_KB, f"our end grew by {grown} KB")
            outcome.noted["errors counted in callbacks"] = client.statistics().callback_errors
    _is_as_good_as_new(folder, outcome)
    return outcome


def _babble(babbler: Babbler, client: BrokerClient, count: int, outcome: Outcome) -> None:
    end = time.monotonic() + 30 + count / 20
    while babbler.said < count and time.monotonic() < end:
        client.publish(f"{ROOT}/gate/cue", b"x", qos=1, retain=False)
        time.sleep(0.01)
    outcome.expect(babbler.said >= count, f"only {babbler.said} packets were taken")


def _is_as_good_as_new(folder: Path, outcome: Outcome) -> None:
    inbox = Inbox()
    with Mosquitto(folder) as broker, running(account(broker.port), inbox.deliver):
        assert inbox.state()
        with Peer(broker.port, "gate") as board:
            board.publish(f"{ROOT}/gate/motion", b"sane")
        outcome.expect(inbox.arrival().payload == b"sane", "the next message did not come")


def _open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def run(count: int, seed: int, folder: Path) -> Outcome:
    outcome = at_the_broker(count, seed, folder / "broker")
    (folder / "own").mkdir()
    ours = at_our_end(count, seed, folder / "own")
    return Outcome(
        outcome.injected + ours.injected,
        outcome.noted + ours.noted,
        outcome.failures + ours.failures,
    )
