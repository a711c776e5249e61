"""Motion to cue through the whole server, beside a bare echo on the same broker in the same run.

The server has 40 props, journals everything and feeds open streams. `python -m
tests.benchmarks.round_trip [SECONDS]` prints the table; `compare` is for tests.
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

PROPS = 40
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


def show_text() -> str:
    """Forty boards, each with a mat and a prop that rests no time and minds no neighbour."""
    parts = ['[show]\nid = "bench"\ntime_zone = "UTC"\n']
    for n in range(PROPS):
        parts.append(
            f'[[board]]\nid = "b{n}"\n[[sensor]]\nid = "s{n}"\nboard = "b{n}"\nkind = "mat"\n'
            f'[[prop]]\nid = "p{n}"\nboard = "b{n}"\n[[prop.behaviour]]\nid = "go"\n'
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


def echo(port: int) -> None:
    """The baseline: a callback that answers each motion with bytes as long as a cue."""
    made = client(port, "echo")

    def answer(_client: Client, _data: object, message: Any) -> None:
        seq = json.loads(message.payload)["seq"]
        board = message.topic.split("/")[2]
        cue = {
            "cue": f"{board}-{BOOT}-{seq}-p0",
            "epoch": 1,
            "prop": "p0",
            "behaviour": "go",
            "max_ms": 501,
            "ttl_ms": 1500,
            "sent_ms": 123456789,
        }
        made.publish(f"{ROOT}/{board}/cue", json.dumps(cue), 1)

    made.on_message = answer
    made.subscribe(f"{ROOT}/+/motion", 1)
    made.loop_forever()


class Driver:
    """Speaks for all boards from a process of its own, and stamps what comes back."""

    def __init__(self, port: int) -> None:
        self.sent: dict[tuple[str, int], float] = {}
        self.took: list[float] = []
        self.back = threading.Semaphore(0)
        self.seq = 0
        self.client = client(port, "driver")
        self.client.on_message = self._heard
        self.client.subscribe(f"{ROOT}/+/cue", 1)
        self.client.loop_start()

    def _heard(self, _client: Client, _data: object, message: Any) -> None:
        now = time.perf_counter()
        board, _boot, seq, _prop = json.loads(message.payload)["cue"].split("-")
        began = self.sent.pop((board, int(seq)), None)
        if began is not None:
            self.took.append((now - began) * 1000)
            self.back.release()

    def hello(self) -> None:
        for n in range(PROPS):
            here = {"state": "here", "boot": BOOT, "conn": 1, "up_ms": 99_000, "reset": "soft"}
            self.client.publish(f"{ROOT}/b{n}/presence", json.dumps(here), 1, retain=True)

    def motion(self) -> None:
        self.seq += 1
        n = self.seq % PROPS
        payload = {"sensor": f"s{n}", "boot": BOOT, "seq": self.seq, "age_ms": 0}
        self.sent[f"b{n}", self.seq] = time.perf_counter()
        self.client.publish(f"{ROOT}/b{n}/motion", json.dumps(payload), 1)

    def latency(self, seconds: float, per_second: float = 50) -> list[float]:
        self.took.clear()
        begin = time.perf_counter()
        for k in range(int(seconds * per_second)):
            time.sleep(max(0, begin + k / per_second - time.perf_counter()))
            self.motion()
        time.sleep(0.7)
        return sorted(self.took)

    def rate(self, seconds: float, *, boards_rest: bool) -> float:
        """Keep 64 under way; with the real rules a prop needs half a second before it is free."""
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
        del boards_rest
        return done / (time.perf_counter() - begin)


def _drive(port: int, seconds: float, out: Any, *, rate: bool) -> None:
    driver = Driver(port)
    driver.hello()
    time.sleep(0.5)
    driver.latency(1)
    took = driver.latency(seconds)
    lost = int(seconds * 50) - len(took)
    per_second = driver.rate(min(seconds, 5), boards_rest=False) if rate else 0.0
    out.put((took, per_second, lost))


def drive(port: int, seconds: float, *, rate: bool) -> Figures:
    out: Any = mp.Queue()
    process = mp.Process(target=_drive, args=(port, seconds, out), kwargs={"rate": rate})
    process.start()
    took, per_second, lost = out.get(timeout=seconds * 3 + 60)
    process.join()
    if not took:
        raise AssertionError("no cue came back")

    def share(of: float) -> float:
        return float(took[min(len(took) - 1, int(len(took) * of))])

    return Figures(share(0.5), share(0.95), share(0.99), took[-1], per_second, lost)


def compare(folder: Path, seconds: float, streams: int = 20) -> tuple[Figures, Figures]:
    """Return (echo, server), measured one after the other on one broker."""
    with mosquitto(folder) as port:
        baseline = mp.Process(target=echo, args=(port,), daemon=True)
        baseline.start()
        time.sleep(0.5)
        bare = drive(port, seconds, rate=True)
        baseline.terminate()
        baseline.join()
        show = folder / "bench.toml"
        show.write_text(show_text())
        data = folder / "data"
        data.mkdir()
        server = Server(data, show, more=("--broker", f"mqtt://127.0.0.1:{port}")).start()
        phones = [
            subprocess.Popen(["curl", "-sN", f"{server.url}/stream"], stdout=subprocess.DEVNULL)
            for _ in range(streams)
        ]
        try:
            until(lambda: server.metric("haunt_streams") == streams, "the streams")
            whole = drive(port, seconds, rate=True)
        finally:
            server.end()
            for each in phones:
                each.wait()
        return bare, whole


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
