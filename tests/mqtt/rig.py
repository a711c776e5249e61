"""What the tests of the broker's side share: clients on free ports, and a real Mosquitto."""

import os
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from haunt.bootstrap.clock import SystemClock
from haunt.mqtt.client import Account, BrokerClient, Deliver, Pace
from haunt.mqtt.kept import mosquitto

ROOT = "haunt/yard"
PING = f"{ROOT}/controller/ping"
WANTED = [(f"{ROOT}/+/motion", 1), (f"{ROOT}/+/health", 0)]
QUICK = Pace(ping_ms=100, dead_ms=600, retry_min_ms=20, retry_max_ms=100)
DEADLINE_S = 30.0


def account(port: int) -> Account:
    return Account("127.0.0.1", port, client_id="yard-controller")


@contextmanager
def running(
    who: Account, deliver: Deliver, *, pace: Pace = QUICK, wanted: list[tuple[str, int]] = WANTED
) -> Iterator[BrokerClient]:
    client = BrokerClient(who, wanted, PING, SystemClock(0), deliver, pace=pace)
    client.start()
    try:
        yield client
    finally:
        assert client.stop(timeout_s=DEADLINE_S)


def binary() -> str:
    found = mosquitto()
    assert found is not None, "these tests need a mosquitto"
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """A broker without sign-in that keeps its sessions on disk, to be killed, frozen, restarted."""

    def __init__(self, folder: Path, more: str = "") -> None:
        self.port = free_port()
        self._config = folder / "test.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nautosave_interval 1\nautosave_on_changes true\n"
            f"max_inflight_messages 0\nset_tcp_nodelay true\n{user}{more}"
        )
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> Self:
        self._process = subprocess.Popen(
            [binary(), "-c", self._config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(lambda: listens(self.port))
        return self

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()

    def freeze(self) -> None:
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, sign: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(sign)


def until(true: Callable[[], bool]) -> None:
    """Ask again until it is true: for what has no event to wait on."""
    end = time.monotonic() + DEADLINE_S
    while not true():
        assert time.monotonic() < end, f"waited {DEADLINE_S} s in vain"
        time.sleep(0.005)


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Peer:
    """A board's plain client, turned by the test's own thread."""

    def __init__(self, port: int, name: str) -> None:
        self.code: int | None = None
        self.granted: list[int] = []
        self.heard: list[tuple[str, bytes]] = []
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload)))
        self._client.connect("127.0.0.1", port)
        self._turn_until(lambda: self.code is not None or not self.is_connected())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.leave()

    def subscribe(self, topic: str, qos: int = 1) -> int:
        """Return what the broker granted; from 128 on it refused."""
        self.granted = []
        self._client.subscribe(topic, qos)
        self._turn_until(lambda: bool(self.granted))
        return self.granted[0]

    def publish(self, topic: str, payload: bytes = b"x", *, retain: bool = False) -> None:
        """At QoS 1, until the broker confirms. 3.1.1 confirms what the rights refuse, too."""
        info = self._client.publish(topic, payload, 1, retain)
        self._turn_until(info.is_published)

    def wait_for_topic(self, topic: str) -> None:
        self._turn_until(lambda: any(each == topic for each, _ in self.heard))

    def is_connected(self) -> bool:
        return self._client.socket() is not None

    def leave(self) -> None:
        self._client.disconnect()

    def _turn_until(self, true: Callable[[], bool]) -> None:
        until = time.monotonic() + DEADLINE_S
        while not true():
            assert time.monotonic() < until, "waited too long for the broker"
            self._client.loop(0.05)

    def _on_connect(
        self,
        _client: Client,
        _data: object,
        _flags: ConnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.code = code.value

    def _on_subscribe(
        self,
        _client: Client,
        _data: object,
        _mid: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        self.granted = [code.value for code in codes]
