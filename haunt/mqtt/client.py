"""The controller's connection to its broker: one pump thread owns the network, callers only put.

Callbacks hand over raw bytes and return; they decide nothing and never raise. paho's own loop and
reconnecting are not used: this module's pump does both, and its death would show in `statistics`.
"""

import select
import socket
import ssl
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, NamedTuple

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from haunt.live.ports import Arrival, Clock, LinkState, Receipt

OUT_MAX = 1000
REFUSED_FROM = 128  # SUBACK codes from here on are refusals

Deliver = Callable[[Arrival | LinkState], bool]


class ClientStatistics(NamedTuple):
    """Since start; `last_in_ms` is the steady instant of the last byte from the broker."""

    connected: bool
    connections: int
    dropped: int
    callback_errors: int
    last_error: str
    pump_alive: bool
    last_in_ms: int
    refused_publishes: int
    stale_receipts: int


@dataclass(frozen=True, slots=True)
class Account:
    """Who signs in where. The client id is the username: the broker insists on it."""

    host: str
    port: int
    username: str | None = None
    password: str | None = None
    client_id: str = ""
    tls: ssl.SSLContext | None = None


@dataclass(frozen=True, slots=True)
class Pace:
    """How patient the client is, in ms."""

    keepalive_s: int = 10
    connect_timeout_ms: int = 3000
    ping_ms: int = 2000
    dead_ms: int = 6000
    retry_min_ms: int = 200
    retry_max_ms: int = 5000


class BrokerClient:
    """Satisfies `live.ports.Outbox`. `deliver` may be called from the pump's thread only."""

    def __init__(
        self,
        account: Account,
        subscriptions: Sequence[tuple[str, int]],
        ping_topic: str,
        clock: Clock,
        deliver: Deliver,
        pace: Pace | None = None,
    ) -> None:
        self._account, self._clock, self._deliver = account, clock, deliver
        self._subscriptions = [*subscriptions, (ping_topic, 0)]
        self._ping_topic = ping_topic
        self._pace = pace or Pace()
        self._connected = False
        self._connection = self._dropped = self._errors = 0
        self._refused = self._stale = 0
        self._last_error = ""
        self._last_in_ms = self._last_ping_ms = self._last_misc_ms = 0
        self._stopping = threading.Event()
        self._writing = threading.Lock()
        self._wake_out, self._wake_in = socket.socketpair()
        for end in (self._wake_in, self._wake_out):
            end.setblocking(False)
        self._client = self._make_client()
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    # --- callers' side

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        self._stopping.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        """Write from the calling thread: a second hop would cost more than the whole decision."""
        if not self._connected:
            self._refused += 1
            return False
        if self._client.publish(topic, payload, qos, retain).rc is MQTTErrorCode.MQTT_ERR_SUCCESS:
            return True
        self._refused += 1
        return False

    def acknowledge(self, receipt: Receipt) -> None:
        """Thread-safe. A receipt of an earlier connection means nothing to this one."""
        if receipt.connection != self._connection or not self._connected:
            self._stale += 1
            return
        self._client.ack(receipt.mid, 1)

    def statistics(self) -> ClientStatistics:
        return ClientStatistics(
            self._connected,
            self._connection,
            self._dropped,
            self._errors,
            self._last_error,
            self._thread.is_alive(),
            self._last_in_ms,
            self._refused,
            self._stale,
        )

    # --- the pump

    def _run(self) -> None:
        attempt = 0
        while not self._stopping.is_set():
            started_ms = self._clock.mono_ms()
            try:
                self._client.connect(self._account.host, self._account.port, self._pace.keepalive_s)
                self._serve()
            except Exception as fault:  # noqa: BLE001 - the pump outlives everything
                self._note(fault)
            self._lose()
            lasted_ms = self._clock.mono_ms() - started_ms
            attempt = 0 if lasted_ms > self._pace.retry_max_ms else attempt + 1
            self._stopping.wait(self._pause_ms(attempt) / 1000)
        self._goodbye()

    def _pause_ms(self, attempt: int) -> int:
        """Double each time up to the bound; a part of the clock's noise keeps many apart."""
        whole = min(self._pace.retry_max_ms, self._pace.retry_min_ms << min(attempt, 8))
        return whole // 2 + self._clock.wall_ms() % (whole // 2 + 1)

    def _serve(self) -> None:
        now = self._clock.mono_ms()
        self._last_in_ms = self._last_ping_ms = now
        while not self._stopping.is_set():
            sock = self._client.socket()
            if sock is None:
                return
            writers = [sock] if self._client.want_write() else []
            readable, writable, _ = select.select([sock, self._wake_in], writers, [], 0.5)
            if self._wake_in in readable:
                with suppress(BlockingIOError):
                    self._wake_in.recv(4096)
            if sock in readable:
                self._last_in_ms = self._clock.mono_ms()
                if self._read(sock) is not MQTTErrorCode.MQTT_ERR_SUCCESS:
                    return
            if writable:
                self._flush()
            if not self._tend(self._clock.mono_ms()):
                return

    def _read(self, sock: Any) -> MQTTErrorCode:
        rc = self._client.loop_read()
        while rc is MQTTErrorCode.MQTT_ERR_SUCCESS and isinstance(sock, ssl.SSLSocket):
            if not sock.pending():
                break
            rc = self._client.loop_read()
        return rc

    def _tend(self, now_ms: int) -> bool:
        """Keep alive, ping ourselves through the broker; False when the link is dead."""
        if now_ms - self._last_misc_ms >= 500:
            self._last_misc_ms = now_ms
            if self._client.loop_misc() is not MQTTErrorCode.MQTT_ERR_SUCCESS:
                return False
        if self._connected and now_ms - self._last_ping_ms >= self._pace.ping_ms:
            self._last_ping_ms = now_ms
            self._client.publish(self._ping_topic, b"", 0)
        if now_ms - self._last_in_ms > self._pace.dead_ms:
            self._last_error = "no byte from the broker; connection closed"
            return False
        return True

    def _flush(self) -> None:
        """Write what is queued, from whichever thread queued it; the pump takes over when full."""
        while self._client.want_write():
            if not self._writing.acquire(blocking=False):
                return  # whoever writes looks again before leaving
            try:
                self._client.loop_write()
            finally:
                self._writing.release()
            if self._client.want_write():
                self._wake()
                return

    def _wake(self) -> None:
        with suppress(BlockingIOError, OSError):
            self._wake_out.send(b"x")

    def _lose(self) -> None:
        sock = self._client.socket()
        if sock is not None:
            with suppress(OSError):
                sock.close()
        if self._connected:
            self._connected = False
            self._hand_over(
                LinkState(up=False, mono_ms=self._clock.mono_ms(), wall_ms=self._clock.wall_ms())
            )

    def _goodbye(self) -> None:
        with suppress(Exception):
            self._client.disconnect()
        for end in (self._wake_in, self._wake_out):
            end.close()

    # --- paho's callbacks

    def _make_client(self) -> Client:
        account = self._account
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=account.client_id or account.username or "",
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
        client.on_socket_open = self._on_socket_open
        client.on_socket_register_write = self._on_register_write
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect
        return client

    def _on_socket_open(self, _client: Client, _data: object, sock: Any) -> None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _on_register_write(self, _client: Client, _data: object, _sock: object) -> None:
        self._flush()

    def _on_connect(
        self,
        client: Client,
        _data: object,
        flags: ConnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if code.is_failure:
            self._last_error = f"the broker refused: {code}"
            return
        self._connection += 1
        if flags.session_present:  # it still knows what we want, and sends what waited at once
            self._up()
        client.subscribe(list(self._subscriptions))

    def _on_subscribe(
        self,
        _client: Client,
        _data: object,
        _mid: int,
        codes: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        refused = [code for code in codes if code.value >= REFUSED_FROM]
        if refused:
            self._last_error = f"the broker refused {len(refused)} subscriptions"
            return
        self._up()

    def _up(self) -> None:
        if self._connected:
            return
        self._connected = True
        self._hand_over(
            LinkState(up=True, mono_ms=self._clock.mono_ms(), wall_ms=self._clock.wall_ms())
        )

    def _on_message(self, client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic
            if topic == self._ping_topic:
                return
            receipt = Receipt(self._connection, message.mid) if message.qos else None
            taken = self._deliver(
                Arrival(
                    topic,
                    bytes(message.payload),
                    message.retain,
                    self._clock.mono_ms(),
                    self._clock.wall_ms(),
                    receipt,
                )
            )
        except Exception as fault:  # noqa: BLE001 - a raise here would kill the link silently
            self._note(fault)
            taken = False
        if not taken:
            self._dropped += 1
            if message.qos:
                client.ack(message.mid, message.qos)

    def _on_disconnect(
        self,
        _client: Client,
        _data: object,
        _flags: DisconnectFlags,
        code: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._last_error = str(code)
        self._wake()

    def _hand_over(self, state: LinkState) -> None:
        try:
            self._deliver(state)
        except Exception as fault:  # noqa: BLE001 - same reason
            self._note(fault)

    def _note(self, fault: Exception) -> None:
        self._errors += 1
        self._last_error = f"{type(fault).__name__}: {fault}"[:200]
