"""The bare echo that the whole server is measured against: motion in, cue out, nothing between.

A driver in a process of its own sends a motion of 161 bytes at QoS 1 and waits for its cue. What
it measures against an echo and against the server in one run can be compared; numbers of different
runs or machines cannot. `python -m tests.benchmarks.echo [SECONDS]` prints the table.
"""

import json
import multiprocessing as mp
import os
import select
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from multiprocessing.connection import Connection
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from haunt.mqtt.kept import mosquitto

BOOT = "7f3a91c2d405"
MOTION_BYTES = 161
PER_SECOND = 50
WINDOW = 64
WARM_UP_S = 0.5
LOST_S = 1.0
TURN_S = 0.05
READY_S = 20.0
MOTION_TOPIC = "haunt/bench/{board}/motion"
CUE_TOPIC = "haunt/bench/+/cue"
BOARDS = tuple(f"b{n}" for n in range(40))

# A fresh interpreter: a forked one would inherit whatever threads the caller has.
_SPAWN = mp.get_context("spawn")


class Broker(NamedTuple):
    """Where to sign in; `username` is the client id too, where the broker insists on it."""

    host: str
    port: int
    username: str | None = None
    password: str | None = None


class Course(NamedTuple):
    """What the driver drives; see `drive`."""

    broker: Broker
    motion_topic: str
    cue_topic: str
    boards: Sequence[str]
    sensor: str


class Figures(NamedTuple):
    """Latencies in ms at 50 a second; `rate` in round trips a second with 64 under way.

    `lost` counts motions that no cue answered within a second.
    """

    sent: int
    p50_ms: float
    p95_ms: float
    p99_ms: float
    worst_ms: float
    rate: float
    lost: int


@contextmanager
def temporary_mosquitto(folder: Path) -> Iterator[Broker]:
    """Run a broker without sign-in, as fast as the kept one: no delay, no bound in flight."""
    binary = mosquitto()
    assert binary is not None, "the benchmark needs a mosquitto"
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = folder / "echo.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        f"max_inflight_messages 0\nmax_queued_messages 20000\n{user}"
    )
    process = subprocess.Popen(
        [binary, "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until = time.monotonic() + READY_S
        while not _listens(port):
            assert time.monotonic() < until, "mosquitto did not start"
            assert process.poll() is None, "mosquitto ended at once"
            time.sleep(0.005)
        yield Broker("127.0.0.1", port)
    finally:
        process.terminate()
        process.wait()


def run_echo(broker: Broker, seconds: float) -> Figures:
    """Measure the baseline: an echo and a driver, each in a process of its own."""
    ready = _SPAWN.Event()
    echo = _SPAWN.Process(target=_echo, args=(broker, ready), daemon=True)
    echo.start()
    try:
        assert ready.wait(READY_S), "the echo did not subscribe"
        return drive(broker, MOTION_TOPIC, CUE_TOPIC, seconds=seconds)
    finally:
        echo.terminate()
        echo.join()
        echo.close()


def drive(  # noqa: PLR0917 - names of a bench, given once
    broker: Broker,
    motion_topic: str = MOTION_TOPIC,
    cue_topic: str = CUE_TOPIC,
    seconds: float = 10.0,
    boards: Sequence[str] = BOARDS,
    sensor: str = "{board}-pir",
    rate_seconds: float = 3.0,
) -> Figures:
    """Drive whatever answers motions with cues, from a process of its own.

    `{board}` in `motion_topic` and `sensor` stands for each of `boards` in turn. A cue is known
    by the `<board>-<boot>-<seq>-` that its id begins with.
    """
    out, back = _SPAWN.Pipe(duplex=False)
    course = Course(broker, motion_topic, cue_topic, tuple(boards), sensor)
    process = _SPAWN.Process(target=_drive, args=(back, course, seconds, rate_seconds), daemon=True)
    process.start()
    back.close()
    try:
        assert out.poll(seconds + rate_seconds + READY_S), "the driver did not report"
        found = out.recv()
        assert isinstance(found, Figures)
        return found
    finally:
        out.close()
        process.terminate()
        process.join()
        process.close()


def motion(board: str, sensor: str, seq: int) -> bytes:
    """Return a motion of exactly 161 bytes; unknown keys are nobody's business."""
    payload = {"sensor": sensor, "boot": BOOT, "seq": seq, "age_ms": 0, "board": board, "pad": ""}
    payload["pad"] = "x" * (MOTION_BYTES - len(json.dumps(payload)))
    return json.dumps(payload).encode()


def _echo(broker: Broker, ready: Event) -> None:
    client = _client(broker, "echo")

    def answer(_client: Client, _data: object, message: MQTTMessage) -> None:
        told = json.loads(message.payload)
        cue = {
            "cue": f"{told['board']}-{told['boot']}-{told['seq']}-prop",
            "epoch": 1,
            "prop": "prop",
            "behaviour": "growl",
            "max_ms": 1500,
            "ttl_ms": 1500,
            "sent_ms": time.monotonic_ns() // 1_000_000,
        }
        client.publish(f"haunt/bench/{told['board']}/cue", json.dumps(cue), 1)

    client.on_message = answer
    client.on_subscribe = lambda *_all: ready.set()
    client.on_connect = lambda c, *_all: _subscribe(c, MOTION_TOPIC.format(board="+"))
    client.loop_forever()


class Driver:
    """All boards at once, in one thread, so that no hop of its own is measured."""

    def __init__(self, course: Course) -> None:
        self._course = course
        self._under_way: dict[str, float] = {}
        self._took_ms: list[float] = []
        self._seq = 0
        self._subscribed = False
        self._client = _client(course.broker, "driver")
        self._client.on_message = self._heard
        self._client.on_subscribe = self._on_subscribe
        self._client.on_connect = lambda c, *_all: _subscribe(c, course.cue_topic)
        until = time.perf_counter() + READY_S
        while not self._subscribed:
            assert time.perf_counter() < until, "the driver could not subscribe"
            self._turn(TURN_S)

    def latency(self, seconds: float) -> tuple[list[float], int, int]:
        """Return the times taken, sorted, how many were sent, and how many were lost."""
        self._forget()
        count, begin = int(seconds * PER_SECOND), time.perf_counter()
        for n in range(count):
            self._turn_until(begin + n / PER_SECOND)
            self._send()
        self._turn_until(time.perf_counter() + LOST_S, early=True)
        return sorted(self._took_ms), count, len(self._under_way)

    def rate(self, seconds: float) -> float:
        """Keep 64 under way, and return how many came back in a second."""
        self._forget()
        begin = time.perf_counter()
        while (now := time.perf_counter()) - begin < seconds:
            self._give_up(now)
            while len(self._under_way) < WINDOW:
                self._send()
            self._turn(TURN_S)
        return len(self._took_ms) / (time.perf_counter() - begin)

    def _send(self) -> None:
        self._seq += 1
        board = self._course.boards[self._seq % len(self._course.boards)]
        payload = motion(board, self._course.sensor.format(board=board), self._seq)
        self._under_way[f"{board}-{BOOT}-{self._seq}"] = time.perf_counter()
        self._client.publish(self._course.motion_topic.format(board=board), payload, 1)

    def _heard(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        now = time.perf_counter()
        cue = json.loads(message.payload)["cue"]
        at = cue.find(f"-{BOOT}-")
        if at < 0:
            return
        seq = cue[at + len(BOOT) + 2 :].split("-", 1)[0]
        began = self._under_way.pop(f"{cue[:at]}-{BOOT}-{seq}", None)
        if began is not None:
            self._took_ms.append((now - began) * 1000)

    def _on_subscribe(self, *_all: object) -> None:
        self._subscribed = True

    def _forget(self) -> None:
        self._under_way.clear()
        self._took_ms.clear()

    def _give_up(self, now: float) -> None:
        """Those that a rule refused must not fill the window for ever."""
        while self._under_way:
            oldest = next(iter(self._under_way))
            if now - self._under_way[oldest] < LOST_S:
                return
            del self._under_way[oldest]

    def _turn_until(self, instant: float, *, early: bool = False) -> None:
        while (left := instant - time.perf_counter()) > 0:
            if early and not self._under_way:
                return
            self._turn(min(left, TURN_S))

    def _turn(self, wait_s: float) -> None:
        sock = self._client.socket()
        assert isinstance(sock, socket.socket), "the driver lost its broker"
        writers = [sock] if self._client.want_write() else []
        readable, writable, _ = select.select([sock], writers, [], wait_s)
        if readable:
            self._client.loop_read()
        if writable:
            self._client.loop_write()
        self._client.loop_misc()


def _drive(back: Connection, course: Course, seconds: float, rate_seconds: float) -> None:
    driver = Driver(course)
    driver.latency(WARM_UP_S)
    took, sent, lost = driver.latency(seconds)
    rate = driver.rate(rate_seconds) if rate_seconds else 0.0
    p50, p95, p99, worst = (_share(took, each) for each in (0.5, 0.95, 0.99, 1.0))
    back.send(Figures(sent, p50, p95, p99, worst, rate, lost))


def _share(took: Sequence[float], share: float) -> float:
    """Return the value that this share of all lies at or below; nan where nothing came back."""
    if not took:
        return float("nan")
    return took[min(len(took) - 1, max(0, int(len(took) * share + 0.999999) - 1))]


def _client(broker: Broker, name: str) -> Client:
    client = Client(CallbackAPIVersion.VERSION2, client_id=broker.username or name)
    client.on_socket_open = _no_delay
    client.max_inflight_messages_set(0)
    if broker.username is not None:
        client.username_pw_set(broker.username, broker.password)
    client.connect(broker.host, broker.port)
    return client


def _subscribe(client: Client, topic: str) -> None:
    client.subscribe(topic, 1)


def _no_delay(_client: Client, _data: object, sock: object) -> None:
    assert isinstance(sock, socket.socket)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    with tempfile.TemporaryDirectory() as folder, temporary_mosquitto(Path(folder)) as broker:
        found = run_echo(broker, seconds)
    for name, value in found._asdict().items():
        print(f"{name:10}{value:12.2f}")


if __name__ == "__main__":
    main()
