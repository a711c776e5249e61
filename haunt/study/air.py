"""A broker and the air between: delay, loss, duplication, reorder, partitions; wills and sessions.

Promises what MQTT 3.1.1 does and no more: QoS 1 arrives at least once, in any delay; QoS 0 may
vanish; the broker keeps the controller's session and no board's.
"""

import json
from collections.abc import Callable
from functools import partial
from typing import NamedTuple, Protocol

from haunt.live.ports import Receipt
from haunt.study.chance import Chance
from haunt.study.faults import Faults
from haunt.study.schedule import Schedule
from haunt.study.session import Listener, Out, Session

KEEPALIVE_MS = 15_000
NOTICE_MS = (5_000, 10_000)
"""A board pings every 5 s and waits 5 s for the answer."""
FIELD_BITS = 20
FIELD = 1 << FIELD_BITS
BEAT = "/all/beat"

Mark = tuple[str, int]


class Hears(Protocol):
    """One board, as far as the air is concerned."""

    def hear(self, topic: str, payload: bytes, retain: bool) -> None: ...

    def hear_beat(self, at_ms: int, topic: str, payload: bytes, mark: Mark) -> None:
        """A beat that will be there at an instant; `mark` is its clock and epoch."""
        ...

    def lost(self) -> None:
        """The connection is gone, and the board knows it."""
        ...


class Will(NamedTuple):
    topic: str
    payload: bytes


class Path:
    """One connection of a board. While `dark` nothing passes and nobody notices."""

    __slots__ = (
        "alive",
        "beats",
        "board",
        "chance",
        "dark",
        "hears",
        "held_down",
        "held_up",
        "topics",
        "will",
    )

    def __init__(
        self,
        board: str,
        hears: Hears,
        will: Will,
        topics: tuple[str, ...],
        chance: Chance,
        beats: Chance,
    ) -> None:
        self.board, self.hears, self.will, self.topics = board, hears, will, topics
        self.chance, self.beats = chance, beats
        self.alive, self.dark = True, False
        self.held_up: list[Callable[[], None]] = []
        self.held_down: list[Callable[[], None]] = []


class Air:
    """`session` is the controller's; `reached` is told of each message that the broker has."""

    def __init__(self, schedule: Schedule, faults: Faults, seed: int) -> None:
        self.up = True
        self.retained: dict[str, bytes] = {}
        self.paths: dict[str, Path] = {}
        self.sent = 0
        self.session = Session(schedule, self._route)
        self.reached: Callable[[bytes], None] = lambda _payload: None
        self._schedule, self._faults, self._seed = schedule, faults, seed
        # One draw of 64 bits decides all about one message: a field for each question.
        self._is_lost, self._is_doubled, self._is_slow = (
            round(share * FIELD) for share in (faults.lost_qos0, faults.duplicate, faults.slow)
        )
        self._chances: dict[str, Chance] = {}
        self._ears: dict[str, dict[str, Path]] = {}
        self._half_open: dict[str, Path] = {}
        self._dark: set[str] = set()

    # --- the controller's side: satisfies Outbox

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        return self.session.send(Out(topic, payload, qos, retain))

    def acknowledge(self, receipt: Receipt) -> None:
        self.session.acknowledge(receipt)

    def attach(self, listener: Listener) -> bool:
        return self.up and self.session.attach(listener, self.retained)

    def _route(self, out: Out) -> None:
        if out.retain:
            self.retained[out.topic] = out.payload
        self._send_down(out.topic, out.payload, out.qos)

    # --- the broker itself

    def fall(self, *, killed: bool) -> None:
        """Every socket is cut, no will is spoken; killed, it forgets what it had not saved."""
        self.up = False
        if killed:
            self.session.forget_unsaved()
        self._half_open.clear()
        for path in list(self.paths.values()):
            self._close(path)
            path.hears.lost()
        self.session.detach()

    def rise(self) -> None:
        self.up = True

    def calm(self) -> None:
        """From now on no message is lost, doubled or slow."""
        self._is_lost = self._is_doubled = self._is_slow = 0

    # --- the boards' side

    def can_connect(self, board: str) -> bool:
        return self.up and board not in self._dark

    def connect(self, board: str, hears: Hears, will: Will, topics: tuple[str, ...]) -> Path:
        """Sign in. A second connection under one id ends the first, whose will is spoken."""
        for old in (self.paths.get(board), self._half_open.get(board)):
            if old is not None:
                self._give_up(old)
                old.hears.lost()
        luck = (self._chance(board), self._chance(board, "beats"))
        path = self.paths[board] = Path(board, hears, will, topics, *luck)
        for topic in topics:
            self._ears.setdefault(topic, {})[board] = path
        for topic in topics:
            kept = self.retained.get(topic)
            if kept:
                self._schedule.after(
                    self._faults.delay_ms, partial(self._hand_down, path, topic, kept, True)
                )
        return path

    def cut(self, path: Path) -> None:
        """The board's end is gone; the broker notices by keepalive and speaks the will."""
        if not path.alive:
            return
        self._close(path)
        self._half_open[path.board] = path
        self._schedule.after(KEEPALIVE_MS, partial(self._expire, path))

    def _close(self, path: Path) -> None:
        path.alive = False
        path.held_up.clear()
        path.held_down.clear()
        if self.paths.get(path.board) is path:
            del self.paths[path.board]
            for topic in path.topics:
                del self._ears[topic][path.board]

    def _expire(self, path: Path) -> None:
        if self._half_open.get(path.board) is path:
            self._give_up(path)

    def _give_up(self, path: Path) -> None:
        self._close(path)
        if self._half_open.get(path.board) is path:
            del self._half_open[path.board]
        self.retained[path.will.topic] = path.will.payload
        self.session.deliver(path.will.topic, path.will.payload, 1)

    def darken(self, board: str) -> None:
        """The board's Wi-Fi is gone: no new connection, and the old one stands still."""
        self._dark.add(board)
        path = self.paths.get(board)
        if path is None or path.dark:
            return
        path.dark = True
        self._schedule.after(self._chance(board).between(*NOTICE_MS), partial(self._despair, path))
        self._schedule.after(KEEPALIVE_MS, partial(self._silence, path))

    def _despair(self, path: Path) -> None:
        """The board's ping was not answered."""
        if path.dark and path.alive:
            self._close(path)
            self._half_open[path.board] = path
            path.hears.lost()

    def _silence(self, path: Path) -> None:
        """The broker heard no ping."""
        if path.dark and (path.alive or self._half_open.get(path.board) is path):
            was_alive = path.alive
            self._give_up(path)
            if was_alive:
                path.hears.lost()

    def lighten(self, board: str) -> None:
        """What was held passes, in order and late."""
        self._dark.discard(board)
        path = self.paths.get(board)
        if path is None or not path.dark:
            return
        path.dark = False
        held = [*path.held_up, *path.held_down]
        path.held_up, path.held_down = [], []
        for pass_on in held:
            pass_on()

    def say(
        self,
        path: Path,
        topic: str,
        payload: bytes,
        *,
        qos: int,
        retain: bool,
        acked: Callable[[], None] | None,
    ) -> None:
        """A board publishes."""
        bits = path.chance.bits()
        if qos == 0 and bits % FIELD < self._is_lost:
            return
        deliver = partial(self._at_broker, path, topic, payload, qos, retain, acked)
        if path.dark:
            path.held_up.append(deliver)
        else:
            self._schedule.after(self._delay(bits), deliver)

    def _at_broker(
        self,
        path: Path,
        topic: str,
        payload: bytes,
        qos: int,
        retain: bool,
        acked: Callable[[], None] | None,
    ) -> None:
        if not path.alive or not self.up:
            return  # it died on the way; the board has no answer and says it again
        if path.dark:
            path.held_up.append(partial(self._at_broker, path, topic, payload, qos, retain, acked))
            return
        if not qos:
            self.session.deliver(topic, payload, qos)
            return
        if retain:
            self.retained[topic] = payload
        self.reached(payload)
        bits = path.chance.bits()
        if acked is None:
            pass
        elif bits % FIELD < self._is_slow:
            self._schedule.after(100 + path.chance.below(self._faults.slow_ms), acked)
        else:
            acked()
        self.session.deliver(topic, payload, qos)
        bits >>= FIELD_BITS
        if bits % FIELD < self._is_doubled:
            again = partial(self.session.deliver, topic, payload, qos)
            self._schedule.after(self._delay(path.chance.bits()), again)

    # --- between them

    def _send_down(self, topic: str, payload: bytes, qos: int) -> None:
        ears = self._ears.get(topic)
        if not ears:
            return
        if topic.endswith(BEAT):
            self._send_beat(topic, payload, ears)
            return
        for path in list(ears.values()):
            bits = path.chance.bits()
            copies = 2 if qos and bits % FIELD < self._is_doubled else 1
            for _ in range(copies):
                self.sent += 1
                pass_on = partial(self._hand_down, path, topic, payload, False)
                if path.dark:
                    path.held_down.append(pass_on)
                else:
                    self._schedule.after(self._delay(bits), pass_on)
                    bits = path.chance.bits() if copies > 1 else 0

    def _send_beat(self, topic: str, payload: bytes, ears: dict[str, Path]) -> None:
        """The most frequent message, to all: a board takes it up when it next has work."""
        said = json.loads(payload)
        mark = (said["clock"], said["epoch"])
        now, is_lost, delay = self._schedule.now_ms, self._is_lost, self._delay
        for path in ears.values():
            bits = path.beats.bits()
            if bits % FIELD < is_lost:
                continue
            self.sent += 1
            if path.dark:
                path.held_down.append(partial(self._hand_down, path, topic, payload, False))
            else:
                path.hears.hear_beat(now + delay(bits), topic, payload, mark)

    def _hand_down(self, path: Path, topic: str, payload: bytes, retain: bool) -> None:
        if path.dark:
            path.held_down.append(partial(self._hand_down, path, topic, payload, retain))
        elif path.alive:
            path.hears.hear(topic, payload, retain)

    def _chance(self, board: str, of: str = "") -> Chance:
        """A stream for each board: what befalls one changes nothing for another."""
        name = f"{board} {of}"
        found = self._chances.get(name)
        if found is None:
            found = self._chances[name] = Chance(self._seed, f"air {name}")
        return found

    def _delay(self, bits: int) -> int:
        """By the second field whether it is slow, by the rest how much."""
        faults, bits = self._faults, bits >> FIELD_BITS
        if bits % FIELD < self._is_slow:
            return 100 + (bits >> FIELD_BITS) % faults.slow_ms
        return faults.delay_ms + (bits >> FIELD_BITS) % (faults.jitter_ms + 1)
