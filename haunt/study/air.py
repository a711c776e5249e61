"""A broker and the air between: delay, loss, duplication, reorder; retained messages and wills.

Promises what MQTT 3.1.1 does and no more: QoS 1 arrives at least once, in any delay; QoS 0 may
vanish; the broker keeps the controller's session and no board's.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from haunt.live.ports import Arrival, LinkState, Receipt
from haunt.study.chance import Chance
from haunt.study.faults import Faults
from haunt.study.schedule import Schedule

KEEPALIVE_MS = 15_000


@dataclass(slots=True)
class Ears:
    """How one connected board hears: a function of topic, payload and retain flag."""

    hear: Callable[[str, bytes, bool], None]
    will_topic: str
    will: bytes
    connection: int
    topics: frozenset[str]


@dataclass(slots=True)
class Air:
    schedule: Schedule
    faults: Faults
    chance: Chance
    up: bool = True
    retained: dict[str, bytes] = field(default_factory=dict)
    boards: dict[str, Ears] = field(default_factory=dict)
    sent: int = 0
    acknowledged: set[int] = field(default_factory=set)
    _unacked: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    _listen: Callable[[Arrival | LinkState], Any] | None = None
    _controller: int = 0
    _mid: int = 0
    _connections: int = 0

    # --- the controller's side: satisfies Outbox

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        if not self.up or self._listen is None:
            return False
        if retain:
            self.retained[topic] = payload
        self.sent += 1
        for board, ears in list(self.boards.items()):
            if topic in ears.topics:
                self._carry_down(board, ears.connection, topic, payload, qos)
        return True

    def acknowledge(self, receipt: Receipt) -> None:
        if receipt.connection == self._controller:
            self._unacked.pop(receipt.mid, None)

    def attach(self, listen: Callable[[Arrival | LinkState], Any]) -> None:
        """The controller connects: retained first, then what it had not acknowledged."""
        self._listen = listen
        self._controller += 1
        connection = self._controller
        now = self.schedule.now_ms
        listen(LinkState(up=True, mono_ms=now, wall_ms=self.schedule.wall_ms()))
        for topic, payload in list(self.retained.items()):
            if topic.endswith(("/presence", "/all/stop")):
                self._arrive(connection, topic, payload, retain=True, qos=0)
        unacked, self._unacked = self._unacked, {}
        for topic, payload in unacked.values():
            self._arrive(connection, topic, payload, retain=False, qos=1)

    def detach(self) -> None:
        listen, self._listen = self._listen, None
        self._controller += 1
        if listen is not None:
            now = self.schedule.now_ms
            listen(LinkState(up=False, mono_ms=now, wall_ms=self.schedule.wall_ms()))

    # --- the boards' side

    def connect(self, board: str, ears: Ears) -> None:
        self._connections += 1
        ears.connection = self._connections
        self.boards[board] = ears
        for topic, payload in list(self.retained.items()):
            if topic in ears.topics:
                self.schedule.after(
                    self.faults.delay_ms,
                    partial(ears.hear, topic, payload, True),
                )

    def cut(self, board: str) -> None:
        """The socket is gone; the broker notices by keepalive and speaks the will."""
        ears = self.boards.pop(board, None)
        if ears is not None:
            self.schedule.after(
                KEEPALIVE_MS, lambda: self.say(ears.will_topic, ears.will, qos=1, retain=True)
            )

    def say(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> None:
        """A board publishes."""
        if retain:
            self.retained[topic] = payload
        if qos == 0 and self.chance.happens(self.faults.lost_qos0):
            return
        copies = 2 if qos and self.chance.happens(self.faults.duplicate) else 1
        for _ in range(copies):
            self.schedule.after(self._delay(), lambda: self._up(topic, payload, qos))

    def _up(self, topic: str, payload: bytes, qos: int) -> None:
        if self._listen is not None:
            self._arrive(self._controller, topic, payload, retain=False, qos=qos)
        elif qos:
            self._mid += 1
            self._unacked[self._mid] = (topic, payload)

    def _arrive(
        self, connection: int, topic: str, payload: bytes, *, retain: bool, qos: int
    ) -> None:
        if self._listen is None:
            return
        receipt = None
        if qos:
            self._mid += 1
            self._unacked[self._mid] = (topic, payload)
            receipt = Receipt(connection, self._mid)
        now = self.schedule.now_ms
        self._listen(Arrival(topic, payload, retain, now, self.schedule.wall_ms(), receipt))

    def _carry_down(
        self, board: str, connection: int, topic: str, payload: bytes, qos: int
    ) -> None:
        if qos == 0 and self.chance.happens(self.faults.lost_qos0):
            return
        copies = 2 if qos and self.chance.happens(self.faults.duplicate) else 1

        def deliver() -> None:
            ears = self.boards.get(board)
            if ears is not None and ears.connection == connection:
                ears.hear(topic, payload, False)

        for _ in range(copies):
            self.schedule.after(self._delay(), deliver)

    def _delay(self) -> int:
        if self.chance.happens(self.faults.slow):
            return self.chance.between(100, self.faults.slow_ms)
        return self.faults.delay_ms + self.chance.below(self.faults.jitter_ms + 1)
