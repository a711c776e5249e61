"""One connection to the broker: paho's packets under one lock, nothing of an earlier connection.

A line never reconnects. One thread, the pump, opens, waits and reads; any thread may write.
"""

import selectors
import socket
import ssl
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from haunt.live.ports import Clock

OUT_MAX = 1000
REFUSED_FROM = 128  # SUBACK codes from here on are refusals
MISC_MS = 500


@dataclass(frozen=True, slots=True)
class Account:
    """Who signs in where. The client id is the username: the kept broker insists on it."""

    host: str
    port: int
    username: str | None = None
    password: str | None = None
    client_id: str = ""
    tls: ssl.SSLContext | None = None

    @property
    def name(self) -> str:
        return self.client_id or self.username or ""


@dataclass(frozen=True, slots=True)
class Pace:
    """How patient the client is."""

    keepalive_s: int = 10
    connect_timeout_ms: int = 3000
    ping_ms: int = 2000
    dead_ms: int = 6000
    retry_min_ms: int = 200
    retry_max_ms: int = 5000


class Hearer(Protocol):
    """Told from the pump's thread, but for `fault`, which may come from any."""

    def line_up(self, line: "Line") -> None: ...
    def heard(self, line: "Line", message: MQTTMessage) -> None: ...
    def fault(self, fault: Exception | str) -> None: ...


class Waker:
    """Ends the pump's wait from any thread."""

    def __init__(self) -> None:
        self._out, self._in = socket.socketpair()
        self._out.setblocking(False)
        self._in.setblocking(False)

    def fileno(self) -> int:
        return self._in.fileno()

    def wake(self) -> None:
        with suppress(OSError):  # full means that it will wake; closed, that nobody waits
            self._out.send(b"x")

    def drain(self) -> None:
        with suppress(BlockingIOError):
            self._in.recv(4096)

    def close(self) -> None:
        self._in.close()
        self._out.close()


class Line:
    """`up` once the subscriptions are confirmed; `number` tells lines, and so receipts, apart."""

    def __init__(  # noqa: PLR0913 - made in one place
        self,
        number: int,
        account: Account,
        wanted: Sequence[tuple[str, int]],
        pace: Pace,
        clock: Clock,
        *,
        waker: Waker,
        hearer: Hearer,
    ) -> None:
        self.number = number
        self.up = False
        self.last_in_ms = clock.mono_ms()
        self._account, self._wanted, self._pace = account, wanted, pace
        self._clock, self._waker, self._hearer = clock, waker, hearer
        self._broken = False
        self._misc_at_ms = self.last_in_ms
        # Two threads in one TLS object are undefined, and a descriptor closed under a reader may
        # be another file by the time it reads. Who cannot have the lock leaves its packet queued;
        # who had it looks at the queue again after letting go. Entered twice by the pump alone.
        self._network = threading.RLock()
        self._selector = selectors.DefaultSelector()  # not select(): it fails from file 1024 on
        self._watched = 0
        self._client = self._make_client()

    # --- any thread

    def publish(self, topic: str, payload: bytes, qos: int, *, retain: bool) -> bool:
        """Write now. True says that it is in the socket or queued right behind it."""
        rc = self._client.publish(topic, payload, qos, retain).rc
        self.flush()
        return rc is MQTTErrorCode.MQTT_ERR_SUCCESS and self._client.socket() is not None

    def acknowledge(self, mid: int) -> None:
        self._client.ack(mid, 1)
        self.flush()

    def flush(self) -> None:
        if self._write():
            self._waker.wake()  # the socket is full, or it failed: both are the pump's business

    # --- the pump

    def open(self) -> None:
        """Connect; the one call that may block, for the connect timeout."""
        account = self._account
        self._client.connect(account.host, account.port, self._pace.keepalive_s)
        sock = self._client.socket()
        if sock is None:
            raise ConnectionError("the connection was lost while signing in")
        self._watched = selectors.EVENT_READ
        self._selector.register(sock, self._watched)
        self._selector.register(self._waker, selectors.EVENT_READ)
        self.last_in_ms = self._clock.mono_ms()
        self._write()

    def turn(self, wait_s: float) -> bool:
        """Wait for bytes, read, write, see that it lives. False when the line is lost."""
        if not self._watch():
            return False
        for key, ready in self._selector.select(wait_s):
            if key.fileobj is self._waker:
                self._waker.drain()
            elif ready & selectors.EVENT_READ:
                self._read()
        self._write()
        self._check(self._clock.mono_ms())
        return not self._broken and self._client.socket() is not None

    def close(self, *, politely: bool) -> None:
        """End it for good. `politely` says goodbye first, without waiting for the broker."""
        self.up = False
        with self._network:
            if politely:
                self._client.disconnect()
                self._client.loop_write()
            sock = self._client.socket()
            if sock is not None:
                sock.close()
            # paho would close its own pair of sockets only when it is collected.
            self._client._reset_sockets(sockpair_only=True)  # noqa: SLF001
            self._selector.close()

    def _watch(self) -> bool:
        with self._network:
            sock = self._client.socket()
            if sock is None:
                return False
            wanted = selectors.EVENT_READ
            if self._client.want_write():
                wanted |= selectors.EVENT_WRITE
            if wanted != self._watched:
                self._selector.modify(sock, wanted)
                self._watched = wanted
            return True

    def _read(self) -> None:
        with self._network:
            self.last_in_ms = self._clock.mono_ms()
            self._client.loop_read()
            while isinstance(sock := self._client.socket(), ssl.SSLSocket) and sock.pending():
                self._client.loop_read()

    def _write(self) -> bool:
        """True where the pump has something left to do."""
        while self._client.want_write():
            if not self._network.acquire(blocking=False):
                return False
            try:
                self._client.loop_write()
            finally:
                self._network.release()
            if self._client.socket() is None or self._client.want_write():
                return True
        return False

    def _check(self, now_ms: int) -> None:
        if now_ms - self._misc_at_ms >= MISC_MS:
            self._misc_at_ms = now_ms
            with self._network:
                self._client.loop_misc()
        if now_ms - self.last_in_ms > self._pace.dead_ms:
            self._break("no byte from the broker; connection closed")

    def _break(self, why: str) -> None:
        self._broken = True
        self._hearer.fault(why)

    # --- paho's callbacks. There is deliberately no `on_disconnect`: paho calls it with a lock
    # that it holds while `on_message` runs, so a write that fails in there would wait for itself.

    def _make_client(self) -> Client:
        account = self._account
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=account.name,
            clean_session=False,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = self._pace.connect_timeout_ms / 1000
        client.max_queued_messages_set(OUT_MAX)
        client.max_inflight_messages_set(0)
        if account.username is not None:
            client.username_pw_set(account.username, account.password)
        if account.tls is not None:
            client.tls_set_context(account.tls)
        client.on_socket_open = _no_delay
        client.on_socket_register_write = _leave_it
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _on_connect(
        self,
        client: Client,
        _data: object,
        _flags: ConnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        try:
            if code.is_failure:
                self._break(f"the broker refused to sign in {self._account.name}: {code}")
            else:
                client.subscribe(list(self._wanted))
        except Exception as fault:  # noqa: BLE001 - a raise would end in paho
            self._hearer.fault(fault)

    def _on_subscribe(
        self,
        _client: Client,
        _data: object,
        _mid: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        try:
            refused = [
                topic
                for (topic, _qos), code in zip(self._wanted, codes, strict=True)
                if code.value >= REFUSED_FROM
            ]
            if refused:
                self._break(f"the broker refused to subscribe {', '.join(refused)}")
            elif not self.up:
                self.up = True
                self._hearer.line_up(self)
        except Exception as fault:  # noqa: BLE001 - same
            self._hearer.fault(fault)

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            self._hearer.heard(self, message)
        except Exception as fault:  # noqa: BLE001 - same
            self._hearer.fault(fault)
        self._write()  # what others queued while this thread held the lock


def _no_delay(_client: Client, _data: object, sock: object) -> None:
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _leave_it(_client: Client, _data: object, _sock: object) -> None:
    """Its presence keeps paho from writing by itself, outside of the lock."""
