"""Motion to cue through the whole server, beside a bare echo on the same broker in the same run.

Latency: 40 props, journalling, 20 open streams, 50 motions a second. Rate: 64 motions under way
and no reports by boards, so a prop is busy for half a second after each cue; 4,000 props on the
same 40 boards keep one free. `python -m tests.benchmarks.round_trip [SECONDS]` prints the table.
"""

import json
import multiprocessing as mp
import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.system.house import Server, free_port, until

BOARDS = 40
RATE_PROPS = 4000
BOOT = "7f3a91c2d405"
ROOT = "haunt/bench"
WINDOW = 64


class Figures(NamedTuple):
    """Latencies in ms; `rate` in round trips a second with 64 under way."""

    p50: float
    p95: float
    p99: float
    worst: float
    rate: float
    lost: int


def show_text(props: int, show: str = "bench") -> str:
    """Forty boards with mats and props that rest no time and mind no neighbour."""
    parts = [f'[show]\nid = "{show}"\ntime_zone = "UTC"\n']
    parts += [f'[[board]]\nid = "b{n}"\n' for n in range(BOARDS)]
    for n in range(props):
        board = n % BOARDS
        parts.append(
            f'[[sensor]]\nid = "s{n}"\nboard = "b{board}"\nkind = "mat"\n'
            f'[[prop]]\nid = "p{n}"\nboard = "b{board}"\n[[prop.behaviour]]\nid = "go"\n'
            f'duration_s = 0.001\n[[link]]\nsensor = "s{n}"\nprop = "p{n}"\n'
        )
    return "\n".join(parts)


@contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    port = free_port()
    config = folder / "bench.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        f"max_inflight_messages 0\nmax_queued_messages 20000\n{user}"
    )
    process = subprocess.Popen(
        ["/usr/sbin/mosquitto", "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        until(lambda: _answers(port), "mosquitto")
        yield port
    finally:
        process.terminate()
        process.wait()


def _answers(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), 1):
            return True
    except OSError:
        return False


def client(port: int, name: str) -> Client:
    made = Client(CallbackAPIVersion.VERSION2, client_id=name)
    made.on_socket_open = _no_delay
    made.max_inflight_messages_set(0)
    made.connect("127.0.0.1", port)
    return made


def _no_delay(_client: Client, _data: object, sock: Any) -> None:
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def echo(port: int, motions: str = "haunt/+/+/motion") -> None:
    """The baseline: a callback that answers each motion with bytes as long as a cue."""
    made = client(port, "echo")

    def answer(_client: Client, _data: object, message: Any) -> None:
        seq = json.loads(message.payload)["seq"]
        root, board = message.topic.rsplit("/", 2)[:2]
        cue = {
            "cue": f"{board}-{BOOT}-{seq}-p0",
            "epoch": 1,
            "prop": "p0",
            "behaviour": "go",
            "max_ms": 501,
            "ttl_ms": 1500,
            "sent_ms": 123456789,
        }
        made.publish(f"{root}/{board}/cue", json.dumps(cue), 1)

    made.on_message = answer
    made.subscribe(motions, 1)
    made.loop_forever()


class Driver:
    """Speaks for all boards from a process of its own, and stamps what comes back."""

    def __init__(self, port: int, props: int, roots: tuple[str, ...] = (ROOT,)) -> None:
        """`roots` are of the shows, which get motions in turn."""
        self.props, self.roots = props, roots
        self.sent: dict[tuple[str, str, int], float] = {}
        self.took: list[float] = []
        self.back = threading.Semaphore(0)
        self.seq = 0
        self.client = client(port, "driver")
        self.client.on_message = self._heard
        self.client.subscribe("haunt/+/+/cue", 1)
        self.client.loop_start()

    def _heard(self, _client: Client, _data: object, message: Any) -> None:
        now = time.perf_counter()
        board, _boot, seq, _prop = json.loads(message.payload)["cue"].split("-")
        root = message.topic.rsplit("/", 2)[0]
        began = self.sent.pop((root, board, int(seq)), None)
        if began is not None:
            self.took.append((now - began) * 1000)
            self.back.release()

    def hello(self) -> None:
        here = {"state": "here", "boot": BOOT, "conn": 1, "up_ms": 99_000, "reset": "soft"}
        for root in self.roots:
            for n in range(BOARDS):
                self.client.publish(f"{root}/b{n}/presence", json.dumps(here), 1, retain=True)

    def motion(self) -> None:
        self.seq += 1
        root, n = self.roots[self.seq % len(self.roots)], self.seq // len(self.roots) % self.props
        board = f"b{n % BOARDS}"
        payload = {"sensor": f"s{n}", "boot": BOOT, "seq": self.seq, "age_ms": 0}
        self.sent[root, board, self.seq] = time.perf_counter()
        self.client.publish(f"{root}/{board}/motion", json.dumps(payload), 1)

    def latency(self, seconds: float, per_second: float = 50) -> list[float]:
        self.took.clear()
        begin = time.perf_counter()
        for k in range(int(seconds * per_second)):
            time.sleep(max(0, begin + k / per_second - time.perf_counter()))
            self.motion()
        time.sleep(0.7)
        return sorted(self.took)

    def rate(self, seconds: float) -> float:
        """Keep 64 under way; return round trips a second."""
        self.sent.clear()
        for _ in range(WINDOW):
            self.back.acquire(blocking=False)
        begin, done = time.perf_counter(), 0
        for _ in range(WINDOW):
            self.motion()
        while time.perf_counter() - begin < seconds:
            if self.back.acquire(timeout=0.5):
                done += 1
            self.motion()
        return done / (time.perf_counter() - begin)


def _latency(port: int, seconds: float, out: Any) -> None:
    driver = Driver(port, BOARDS)
    driver.hello()
    time.sleep(0.5)
    driver.latency(1)
    took = driver.latency(seconds)
    out.put((took, int(seconds * 50) - len(took)))


def _rate(port: int, seconds: float, out: Any) -> None:
    driver = Driver(port, RATE_PROPS)
    driver.hello()
    time.sleep(0.5)
    driver.rate(1)
    time.sleep(1)
    out.put(driver.rate(seconds))


def _elsewhere(what: Any, port: int, seconds: float) -> Any:
    """Drive from a process of its own."""
    out: Any = mp.Queue()
    process = mp.Process(target=what, args=(port, seconds, out))
    process.start()
    found = out.get(timeout=seconds * 3 + 60)
    process.join()
    return found


def figures(latency: tuple[list[float], int], rate: float) -> Figures:
    took, lost = latency
    if not took:
        raise AssertionError("no cue came back")

    def share(of: float) -> float:
        return float(took[min(len(took) - 1, int(len(took) * of))])

    return Figures(share(0.5), share(0.95), share(0.99), took[-1], rate, lost)


@contextmanager
def serving(folder: Path, name: str, props: int, port: int, streams: int) -> Iterator[Server]:
    (folder / name).mkdir()
    show = folder / f"{name}.toml"
    show.write_text(show_text(props))
    server = Server(folder / name, show, more=("--broker", f"mqtt://127.0.0.1:{port}")).start()
    phones = [server.listening() for _ in range(streams)]
    try:
        until(lambda: server.metric("haunt_streams") == streams, "the streams")
        yield server
    finally:
        server.end()
        for each in phones:
            each.wait()


def compare(folder: Path, seconds: float, streams: int = 20) -> tuple[Figures, Figures]:
    """Return (echo, server), measured one after the other on one broker."""
    with mosquitto(folder) as port:
        baseline = mp.Process(target=echo, args=(port,), daemon=True)
        baseline.start()
        time.sleep(0.5)
        bare = figures(
            _elsewhere(_latency, port, seconds), _elsewhere(_rate, port, min(seconds, 5))
        )
        baseline.terminate()
        baseline.join()
        with serving(folder, "latency", BOARDS, port, streams):
            latency = _elsewhere(_latency, port, seconds)
        with serving(folder, "rate", RATE_PROPS, port, 0):
            rate = _elsewhere(_rate, port, min(seconds, 5))
        return bare, figures(latency, rate)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10
    with tempfile.TemporaryDirectory() as folder:
        bare, whole = compare(Path(folder), seconds)
    print(f"{'':10}{'echo':>10}{'haunt':>10}{'ratio':>8}")
    for name in Figures._fields:
        a, b = getattr(bare, name), getattr(whole, name)
        print(f"{name:10}{a:10.2f}{b:10.2f}{b / a if a else 0:8.2f}")


if __name__ == "__main__":
    main()
