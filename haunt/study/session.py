"""The controller's session at the simulated broker: what waits for it, what it has not confirmed.

Kept over connections, as MQTT 3.1.1 keeps it; a receipt belongs to one connection.
"""

from collections import deque
from collections.abc import Callable
from functools import partial
from typing import NamedTuple, Protocol

from haunt.live.ports import Receipt
from haunt.study.schedule import Schedule

DEAD_MS = 6_000
"""After this long without a word the controller gives its line up."""
SAVE_MS = 1_000
OUT_MAX = 1_000
QUEUE_MAX = 20_000
KEPT = ("/presence", "/all/stop")


class Listener(Protocol):
    """The controller's client."""

    def arrived(
        self, topic: str, payload: bytes, retain: bool, receipt: Receipt | None
    ) -> None: ...
    def link(self, *, up: bool) -> None: ...


class Out(NamedTuple):
    topic: str
    payload: bytes
    qos: int
    retain: bool


class Queued(NamedTuple):
    topic: str
    payload: bytes
    since_ms: int


class Session:
    """`lost` is told of each message that the broker lost for good; `route` takes what is sent."""

    def __init__(self, schedule: Schedule, route: Callable[[Out], None]) -> None:
        self.lost: Callable[[bytes], None] = lambda _payload: None
        self.carried = 0
        self._schedule, self._route = schedule, route
        self._listener: Listener | None = None
        self._connection = self._mid = 0
        self._unacked: dict[int, Queued] = {}
        self._queue: deque[Queued] = deque()
        self._settled: deque[tuple[int, Queued]] = deque()
        self._is_cut_off = False
        self._held_in: list[tuple[str, bytes, int]] = []
        self._held_out: list[Out] = []
        self._held_acks: list[int] = []

    @property
    def is_attached(self) -> bool:
        return self._listener is not None

    @property
    def waiting(self) -> int:
        """How many messages the controller has not confirmed."""
        return len(self._unacked) + len(self._queue)

    # --- from the controller

    def send(self, out: Out) -> bool:
        """Into the socket: it leaves at once, or lies there while nothing passes."""
        if self._listener is None:
            return False
        if not self._is_cut_off:
            self._route(out)
        elif len(self._held_out) >= OUT_MAX:
            return False
        else:
            self._held_out.append(out)
        return True

    def payload_of(self, receipt: Receipt) -> bytes | None:
        """Return what a receipt stands for while the broker waits for it."""
        found = self._unacked.get(receipt.mid) if receipt.connection == self._connection else None
        return found.payload if found is not None else None

    def acknowledge(self, receipt: Receipt) -> None:
        if receipt.connection != self._connection:
            return
        if self._is_cut_off:
            self._held_acks.append(receipt.mid)
        else:
            self._settle(receipt.mid)

    def _settle(self, mid: int) -> None:
        """What was confirmed since the broker last saved comes again if it is killed."""
        settled = self._unacked.pop(mid, None)
        if settled is None:
            return
        now = self._schedule.now_ms
        while self._settled and self._settled[0][0] < now - SAVE_MS:
            self._settled.popleft()
        self._settled.append((now, settled))

    # --- to the controller

    def deliver(self, topic: str, payload: bytes, qos: int) -> None:
        listener = self._listener
        if listener is None:
            if qos and len(self._queue) < QUEUE_MAX:
                self._queue.append(Queued(topic, payload, self._schedule.now_ms))
            elif qos:
                self.lost(payload)
        elif self._is_cut_off:
            self._held_in.append((topic, payload, qos))
        else:
            self.carried += 1
            receipt = self._receipt(topic, payload) if qos else None
            listener.arrived(topic, payload, False, receipt)

    def _receipt(self, topic: str, payload: bytes) -> Receipt:
        self._mid += 1
        self._unacked[self._mid] = Queued(topic, payload, self._schedule.now_ms)
        return Receipt(self._connection, self._mid)

    # --- connections

    def attach(self, listener: Listener, retained: dict[str, bytes]) -> bool:
        """The controller connects: retained first, then what it had not acknowledged."""
        if self._is_cut_off:
            return False
        self._listener = listener
        self._connection += 1
        listener.link(up=True)
        for topic, payload in list(retained.items()):
            if topic.endswith(KEPT) and self._listener is listener:
                self.carried += 1
                listener.arrived(topic, payload, True, None)
        again = [*self._unacked.values(), *self._queue]
        self._unacked.clear()
        self._queue.clear()
        for each in again:  # killed on the way, it finds the rest when it is back
            self.deliver(each.topic, each.payload, 1)
        return True

    def detach(self, *, tell: bool = True) -> None:
        """The connection ends; `tell` says whether there is a client to notice."""
        listener, self._listener = self._listener, None
        self._connection += 1
        self._held_out.clear()
        self._held_acks.clear()
        held, self._held_in = self._held_in, []
        for each in held:
            self.deliver(*each)
        if listener is not None and tell:
            listener.link(up=False)

    def cut_off(self) -> None:
        """Nothing passes between controller and broker; the controller notices by silence."""
        if not self._is_cut_off:
            self._is_cut_off = True
            self._schedule.after(DEAD_MS, partial(self._notice, self._connection))

    def _notice(self, connection: int) -> None:
        if self._is_cut_off and connection == self._connection:
            self.detach()

    def join_up(self) -> None:
        """What was under way arrives late, where both ends still hold the line."""
        self._is_cut_off = False
        acks, self._held_acks = self._held_acks, []
        for mid in acks:
            self._settle(mid)
        out, self._held_out = self._held_out, []
        for each in out:
            self._route(each)
        held, self._held_in = self._held_in, []
        for message in held:
            self.deliver(*message)

    def forget_unsaved(self) -> None:
        """The broker was killed: it knows what it knew when it last saved, and no more."""
        saved_ms = self._schedule.now_ms // SAVE_MS * SAVE_MS
        again = [each for ms, each in self._settled if ms > saved_ms and each.since_ms <= saved_ms]
        self._settled.clear()
        have = [*self._unacked.values(), *self._queue]
        self._unacked.clear()
        self._queue = deque(again)
        for each in have:
            if each.since_ms <= saved_ms:
                self._queue.append(each)
            else:
                self.lost(each.payload)
