"""The real broker under a board's trial: our own client on one side, a relay on the other."""

import queue
from collections import deque
from collections.abc import Sequence
from contextlib import ExitStack
from typing import Final

from haunt.bootstrap.clock import SystemClock
from haunt.live.ports import Arrival, LinkState
from haunt.mqtt.client import Account, BrokerClient
from haunt.mqtt.relay import Relay
from haunt.study.conformance.bench import Subject
from haunt.study.conformance.ports import Heard
from haunt.wire.packets import Message, SignIn
from haunt.wire.topics import UP_KINDS, Topics

LINK_S: Final = 10.0


class TrialRefused(Exception):  # noqa: N818 - the word says what happened
    """Why no trial can be held now, and what to do."""


class TrialWire:
    """Satisfies `study.conformance.ports.Wire` at a real broker."""

    def __init__(
        self,
        account: Account,
        subject: Subject,
        clock: SystemClock,
        relay: Relay | None,
        ending: ExitStack,
    ) -> None:
        """Raises TrialRefused where the broker does not take us."""
        self._clock, self._relay, self._board = clock, relay, subject.board
        self._again: deque[Heard] = deque()
        self._arrived: queue.SimpleQueue[Heard] = queue.SimpleQueue()
        self._link: queue.SimpleQueue[bool] = queue.SimpleQueue()
        topics = Topics(subject.show)
        wanted = [(f"{topics.root}/+/{kind}", 1) for kind in UP_KINDS]
        self._client = BrokerClient(
            account,
            [*wanted, (topics.beat, 0)],
            f"{topics.root}/controller/ping",
            clock,
            self._deliver,
        )
        self._client.start()
        ending.callback(self._client.stop)
        try:
            self._link.get(timeout=LINK_S)
        except queue.Empty:
            said = self._client.statistics().last_error or "no answer"
            raise TrialRefused(f"the broker does not take us: {said}") from None

    @property
    def sees_line(self) -> bool:
        return self._relay is not None

    def now_ms(self) -> int:
        return self._clock.mono_ms()

    def wall_ms(self) -> int:
        return self._clock.wall_ms()

    def say(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> None:
        """What finds no broker is not heard, and shows as a check that fails."""
        self._client.publish(topic, payload, qos=qos, retain=retain)

    def hear_again(self, heard: Sequence[Heard]) -> None:
        """Before anything that has not been heard yet."""
        self._again.extend(heard)

    def hear(self, wait_ms: int) -> Heard | None:
        if self._again:
            return self._again.popleft()
        try:
            return self._arrived.get(timeout=wait_ms / 1000)
        except queue.Empty:
            return None

    def cut(self) -> None:
        if self._relay is not None:
            self._relay.cut(self._board)

    def let_back(self) -> None:
        if self._relay is not None:
            self._relay.let_back(self._board)

    def sign_ins(self) -> Sequence[SignIn]:
        return self._relay.sign_ins(self._board) if self._relay is not None else ()

    def said(self) -> Sequence[Message]:
        return self._relay.said(self._board) if self._relay is not None else ()

    def _deliver(self, what: Arrival | LinkState) -> bool:
        match what:
            case LinkState():
                self._link.put(what.up)
            case Arrival():
                self._arrived.put(Heard(what.topic, what.payload, what.retain, what.mono_ms))
                if what.receipt is not None:
                    self._client.acknowledge(what.receipt)
        return True
