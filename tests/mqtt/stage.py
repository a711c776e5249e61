"""What the broker's tests share: a garden with a kept Mosquitto, boards, and clients to wait on."""

import os
import queue
import shutil
import signal
import socket
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from haunt.bootstrap.clock import SystemClock
from haunt.live.ports import Arrival, LinkState
from haunt.mqtt.client import Account, BrokerClient, Pace
from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import KeptBroker, running_pid
from haunt.wire.topics import Topics

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
HOST = "127.0.0.1"
DEADLINE_S = 10.0
TOPICS = Topics("garden")
PING = "haunt/garden/controller/ping"
QUICK = Pace(ping_ms=200, dead_ms=1000, retry_min_ms=50, retry_max_ms=200)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


class Heard:
    """A client's `deliver`: `answer` is what it says to an arrival; an exception is raised."""

    def __init__(self) -> None:
        self.arrivals: queue.Queue[Arrival] = queue.Queue()
        self.links: queue.Queue[LinkState] = queue.Queue()
        self.answer: bool | Exception = True

    def __call__(self, what: Arrival | LinkState) -> bool:
        if isinstance(what, LinkState):
            self.links.put(what)
            return True
        answer = self.answer
        self.arrivals.put(what)
        if isinstance(answer, Exception):
            raise answer
        return answer

    def link(self, *, up: bool, deadline_s: float = DEADLINE_S) -> LinkState:
        found = self.links.get(timeout=deadline_s)
        assert found.up is up
        return found

    def arrival(self) -> Arrival:
        return self.arrivals.get(timeout=DEADLINE_S)


class Board:
    """A board's connection, no more than a client with queues. The broker decides its client id."""

    def __init__(
        self,
        port: int,
        username: str,
        password: str,
        *,
        client_id: str = "",
        will: str | None = None,
    ) -> None:
        self.heard: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self.cut_off: queue.Queue[ReasonCode] = queue.Queue()
        self._answers: queue.Queue[ReasonCode] = queue.Queue()
        self._subscribed: queue.Queue[None] = queue.Queue()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or username,
            reconnect_on_failure=False,
        )
        client.username_pw_set(username, password)
        if will is not None:
            client.will_set(will, b"will", 1)
        client.on_connect = lambda _c, _d, _f, code, _p: self._answers.put(code)
        client.on_subscribe = lambda *_all: self._subscribed.put(None)
        client.on_message = lambda _c, _d, message: self.heard.put(message)
        client.on_disconnect = lambda _c, _d, _f, code, _p: self.cut_off.put(code)
        client.connect(HOST, port, 10)
        client.loop_start()
        self._client = client
        code = self._answers.get(timeout=DEADLINE_S)
        self.is_welcome, self.said = not code.is_failure, str(code)

    def subscribe(self, *topics: str) -> "Board":
        self._client.subscribe([(topic, 1) for topic in topics])
        self._subscribed.get(timeout=DEADLINE_S)
        return self

    def publish(self, topic: str, payload: bytes = b"x") -> None:
        self._client.publish(topic, payload, 1).wait_for_publish(DEADLINE_S)

    def next(self) -> tuple[str, bytes]:
        message = self.heard.get(timeout=DEADLINE_S)
        return message.topic, bytes(message.payload)

    def drop(self) -> None:
        """Vanish without a goodbye, so that the broker speaks the will."""
        sock = self._client.socket()
        assert isinstance(sock, socket.socket)
        sock.shutdown(socket.SHUT_RDWR)

    def end(self) -> None:
        with suppress(Exception):
            self._client.disconnect()
        self._client.loop_stop()
        self._client._reset_sockets()  # else its own pair is left to the garbage collector


class Garden:
    """A kept broker with credentials; ends whatever was started here."""

    def __init__(self, folder: Path) -> None:
        assert MOSQUITTO is not None
        self.folder = folder / "broker"
        self.credentials = Credentials(self.folder, "garden")
        self.passwords: dict[str, str] = {}
        self._kept: list[KeptBroker] = []
        self._clients: list[BrokerClient] = []
        self._boards: list[Board] = []

    @property
    def kept(self) -> KeptBroker:
        return self._kept[-1]

    def start(self, port: int = 0) -> KeptBroker:
        assert MOSQUITTO is not None
        self._kept.append(KeptBroker(MOSQUITTO, self.credentials, HOST, port))
        return self.kept.start()

    def admit(self, *boards: str) -> None:
        for each in boards:
            self.passwords[each] = self.credentials.add(each)

    def board(self, name: str, password: str | None = None, **more: Any) -> Board:
        password = self.passwords[name] if password is None else password
        self._boards.append(Board(self.kept.port, name, password, **more))
        return self._boards[-1]

    def client(
        self, deliver: Callable[[Arrival | LinkState], bool], *, port: int = 0, pace: Pace = QUICK
    ) -> BrokerClient:
        """Make the controller's own connection, not started."""
        account = Account(
            HOST,
            port or self.kept.port,
            self.credentials.controller,
            self.credentials.controller_password(),
        )
        wanted = TOPICS.controller_subscriptions()
        self._clients.append(
            BrokerClient(account, wanted, PING, clock=SystemClock(0), deliver=deliver, pace=pace)
        )
        return self._clients[-1]

    def connected(self, heard: Heard) -> BrokerClient:
        client = self.client(heard)
        client.start()
        heard.link(up=True)
        return client

    def signal(self, sign: signal.Signals) -> None:
        assert self.kept.pid is not None
        os.kill(self.kept.pid, sign)

    def end(self) -> None:
        for client in self._clients:
            client.stop()
        for board in self._boards:
            board.end()
        frozen = running_pid(self.folder)
        if frozen is not None:
            os.kill(frozen, signal.SIGCONT)
        for kept in reversed(self._kept):
            kept.stop()


def until(what: Callable[[], bool], why: str, deadline_s: float = DEADLINE_S) -> None:
    """Ask again until it is true; for other processes, which have no event to wait on."""
    end = time.monotonic() + deadline_s
    while not what():
        assert time.monotonic() < end, f"waited {deadline_s} s for: {why}"
        time.sleep(0.01)
