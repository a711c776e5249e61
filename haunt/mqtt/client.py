"""The controller's way to its broker: keeps one line open, and tells when there is none.

Callbacks hand over raw bytes and return; they decide nothing and never raise. paho's own loop and
reconnecting are not used: the pump here does both, and its death would show in `statistics`.
"""

import logging
import threading
from collections import Counter, deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from paho.mqtt.client import MQTTMessage

from haunt.core.dice import draw
from haunt.live.ports import Arrival, Clock, LinkState, Receipt
from haunt.mqtt.line import Account, Line, Pace, Waker

__all__ = ["Account", "BrokerClient", "ClientStatistics", "Deliver", "Pace"]

LOG = logging.getLogger("haunt.link")
HELD_MAX = 20_000  # as many as the kept broker queues for us
HANDED_A_TURN = 200
TURN_MAX_S = 0.5

Deliver = Callable[[Arrival | LinkState], bool]
"""Take one thing; False, where there is no room. Called from the pump's thread only."""


class ClientStatistics(NamedTuple):
    """Counts since start.

    `last_in_ms` is the steady instant of the last byte from the broker, `last_ping_ms` how long
    our last ping took through it and back; -1 before the first.
    """

    connected: bool
    connections: int
    dropped: int
    callback_errors: int
    last_error: str
    pump_alive: bool
    last_in_ms: int
    last_ping_ms: int
    refused_publishes: int
    stale_receipts: int


class BrokerClient:
    """Satisfies `live.ports.Outbox`; every method may be called from any thread."""

    def __init__(  # noqa: PLR0913 - explicit values, joined in one place
        self,
        account: Account,
        subscriptions: Sequence[tuple[str, int]],
        ping_topic: str,
        clock: Clock,
        deliver: Deliver,
        *,
        pace: Pace | None = None,
        seed: int = 0,
        may_speak: Callable[[], bool] = lambda: True,
    ) -> None:
        """`seed` and the client id draw the pauses between attempts: many do not retry as one.

        Where `may_speak` says no there is no line and nothing goes out: another server may be the
        controller by now. It is asked before every message, so it must be quick.
        """
        self._may_speak = may_speak
        if not account.name:
            raise ValueError("a kept session needs a client id or a username")
        self._account, self._clock, self._deliver = account, clock, deliver
        self._wanted = [*subscriptions, (ping_topic, 0)]
        self._ping_topic = ping_topic
        self._pace = pace or Pace()
        self._seed = seed
        self._line: Line | None = None
        self._held: deque[Arrival] = deque()
        self._kept: list[Arrival] = []
        self._untold: list[LinkState] = []
        self._lines = 0
        self._counts: Counter[str] = Counter()
        self._counting = threading.Lock()
        self._last_error = ""
        self._last_in_ms = 0
        self._heard_ms = clock.mono_ms()
        self._next_ping_ms = 0
        self._last_ping_ms = -1
        self._stopping = threading.Event()
        self._waker = Waker()
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)

    # --- callers' side

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> bool:
        """Say goodbye to the broker and end the pump. False if it did not end in time."""
        self._stopping.set()
        self._waker.wake()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        if self._thread.is_alive():
            return False
        self._waker.close()
        return True

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        """Write from the calling thread: a second hop would cost more than the whole decision.

        Nothing outlives its line: what the broker had not confirmed when the line was lost is
        not sent again on the next one.
        """
        line = self._line if self._may_speak() else None
        if line is not None and line.up and line.publish(topic, payload, qos, retain=retain):
            return True
        self._count("refused")
        return False

    def acknowledge(self, receipt: Receipt) -> None:
        """Thread-safe. A receipt of an earlier line means nothing, or another message, here."""
        line = self._line if self._may_speak() else None
        if line is None or line.number != receipt.connection:
            self._count("stale")
            return
        line.acknowledge(receipt.mid)

    def statistics(self) -> ClientStatistics:
        line, counts = self._line, self._counts
        return ClientStatistics(
            connected=line is not None and line.up,
            connections=counts["ups"],
            dropped=counts["dropped"],
            callback_errors=counts["errors"],
            last_error=self._last_error,
            pump_alive=self._thread.is_alive(),
            last_in_ms=line.last_in_ms if line is not None else self._last_in_ms,
            last_ping_ms=self._last_ping_ms,
            refused_publishes=counts["refused"],
            stale_receipts=counts["stale"],
        )

    def silent_ms(self) -> int:
        """How long no line that was up has heard the broker; from the beginning, if none was."""
        line, heard_ms = self._line, self._heard_ms
        if line is not None and line.up:
            heard_ms = line.last_in_ms
        return self._clock.mono_ms() - heard_ms

    # --- the pump

    def _run(self) -> None:
        """Only `stop` ends it: dead, it would take the link with it and tell nobody."""
        while not self._stopping.is_set():
            try:
                self._turn_lines()
            except BaseException as fault:  # noqa: BLE001 - a thread's own end among them
                self.fault(fault)

    def _turn_lines(self) -> None:
        attempt = 0
        while not self._stopping.is_set():
            began_ms = self._clock.mono_ms()
            self._keep_one_line()
            lasted_ms = self._clock.mono_ms() - began_ms
            attempt = 0 if lasted_ms > self._pace.retry_max_ms else attempt + 1
            self._stopping.wait(self.pause_ms(attempt) / 1000)
            self._tell_untold()

    def pause_ms(self, attempt: int) -> int:
        """Double each time up to the bound; half of it is chance."""
        whole = min(self._pace.retry_max_ms, self._pace.retry_min_ms << min(attempt, 8))
        name = f"retry {self._account.name} {self._lines}"
        return whole // 2 + draw(self._seed, name, whole // 2 + 1)

    def _keep_one_line(self) -> None:
        """Open a line and serve it until it is lost, we stop, or may not have one any more."""
        if not self._may_speak():
            return
        self._lines += 1
        line = Line(
            self._lines,
            self._account,
            self._wanted,
            self._pace,
            self._clock,
            waker=self._waker,
            hearer=self,
        )
        try:
            line.open()
            self._line = line
            wait_s = min(TURN_MAX_S, self._pace.ping_ms / 2000)
            while not self._stopping.is_set() and line.turn(0 if self._waits(line) else wait_s):
                if not self._may_speak():
                    self._note("the database does not say that this server runs the show")
                    break
                self._hand_over_some(line)
                self._ping(line)
                self._tell_untold()
        except OSError as fault:
            self._note(_words(fault))  # no broker there: nothing odd, and told by the link
        except BaseException as fault:  # noqa: BLE001 - the pump outlives everything
            self.fault(fault)
        self._lose(line)

    def _ping(self, line: Line) -> None:
        """Ask ourselves through the broker: it answers even where it would keep silent."""
        now_ms = self._clock.mono_ms()
        if line.up and now_ms >= self._next_ping_ms:
            self._next_ping_ms = now_ms + self._pace.ping_ms
            line.publish(self._ping_topic, str(now_ms).encode(), 0, retain=False)

    def _lose(self, line: Line) -> None:
        was_up = line.up
        self._line = None
        self._held.clear()  # unacknowledged: the broker sends them again
        self._kept.clear()
        self._last_in_ms = line.last_in_ms
        try:
            line.close(politely=self._stopping.is_set())
        except Exception as fault:  # noqa: BLE001 - same
            self.fault(fault)
        if was_up:
            self._heard_ms = line.last_in_ms
            self._tell(up=False)

    # --- what is handed over

    def _tell(self, *, up: bool) -> None:
        """Keep what there was no room for: a loss that nobody heard of would send cues nowhere."""
        if not up and self._untold and self._untold[-1].up:
            self._untold.pop()  # never told that it came, so not told that it went
            return
        self._untold.append(LinkState(up, self._clock.mono_ms(), self._clock.wall_ms()))
        self._tell_untold()

    def _tell_untold(self) -> None:
        while self._untold:
            try:
                if not self._deliver(self._untold[0]):
                    return
            except Exception as fault:  # noqa: BLE001 - a raise would end the pump
                self.fault(fault)
            del self._untold[0]

    def _hand_over(self, line: Line, arrival: Arrival) -> None:
        try:
            taken = self._deliver(arrival)
        except Exception as fault:  # noqa: BLE001 - same
            self.fault(fault)
            taken = False
        if not taken:
            self._drop(line, arrival.receipt)

    def _drop(self, line: Line, receipt: Receipt | None) -> None:
        """Acknowledge it all the same: sent again it would only find a fuller queue."""
        self._count("dropped")
        if receipt is not None:
            line.acknowledge(receipt.mid)

    # --- what the line says

    def line_up(self, line: Line) -> None:
        """The state first, then what the broker keeps for whoever comes, then what waited for us.

        A kept stop may follow a backlog of thousands, and must be known before they are judged.
        """
        self._count("ups")
        self._next_ping_ms = 0
        self._tell(up=True)
        kept, self._kept = self._kept, []
        for arrival in kept:
            self._hand_over(line, arrival)

    def _waits(self, line: Line) -> bool:
        return line.up and bool(self._held)

    def _hand_over_some(self, line: Line) -> None:
        """A bounded part of what waited, so that reading goes on meanwhile."""
        for _ in range(min(HANDED_A_TURN, len(self._held)) if line.up else 0):
            self._hand_over(line, self._held.popleft())

    def heard(self, line: Line, message: MQTTMessage) -> None:
        if not self._may_speak():
            return  # not acknowledged: whoever runs the show is sent it
        receipt = Receipt(line.number, message.mid) if message.qos else None
        now_ms = self._clock.mono_ms()
        try:
            topic = message.topic
            if topic == self._ping_topic:
                self._last_ping_ms = now_ms - int(message.payload)
                return
        except ValueError as fault:  # not UTF-8, or somebody else's ping
            self.fault(fault)
            self._drop(line, receipt)
            return
        arrival = Arrival(
            topic,
            bytes(message.payload),
            message.retain,
            now_ms,
            self._clock.wall_ms(),
            receipt,
        )
        if line.up and (message.retain or not self._held):
            self._hand_over(line, arrival)
        elif message.retain:
            self._kept.append(arrival)
        elif len(self._held) < HELD_MAX:
            self._held.append(arrival)
        else:
            self._drop(line, receipt)

    def fault(self, fault: BaseException | str) -> None:
        if isinstance(fault, BaseException):
            self._count("errors")
        self._note(_words(fault))

    def _note(self, words: str) -> None:
        """Say what stands in the way once, not at every try: a wrong certificate stays wrong."""
        if words != self._last_error:
            self._last_error = words
            LOG.warning("the link to %s:%d: %s", self._account.host, self._account.port, words)

    def _count(self, what: str) -> None:
        with self._counting:
            self._counts[what] += 1


def _words(fault: BaseException | str) -> str:
    text = fault if isinstance(fault, str) else f"{type(fault).__name__}: {fault}"
    return text[:200]
