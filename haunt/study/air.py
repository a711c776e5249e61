"""A broker and the air between: delay, loss, duplication, reorder, partitions; wills and sessions.

Promises what MQTT 3.1.1 does and no more: QoS 1 arrives at least once, in any delay; QoS 0 may
vanish; the broker keeps the controller's session and no board's.
"""

import json
from collections.abc import Callable
from functools import partial
from typing import Final

from haunt.live.ports import Receipt
from haunt.study.chance import Chance
from haunt.study.faults import Faults
from haunt.study.path import Hears, Mark, Path, Will
from haunt.study.schedule import Schedule
from haunt.study.session import Listener, Out, Session

KEEPALIVE_MS = 15_000
NOTICE_MS = (5_000, 10_000)
"""A board pings every 5 s and waits 5 s for the answer."""
FIELD_BITS = 20
FIELD = 1 << FIELD_BITS
BEAT = "/all/beat"
BEATS_MAX: Final = 64
"""So many wait at most to be drawn: a board looks for them with whatever it does, at the latest
with its health, but when all boards come back at once each of them makes the controller beat.
"""


class Air:
    """`session` is the controller's; `reached` is told of each message that the broker has."""

    def __init__(self, schedule: Schedule, faults: Faults, seed: int) -> None:
        self.up = True
        self.retained: dict[str, bytes] = {}
        self.paths: dict[str, Path] = {}
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
        self._beats: list[tuple[int, bytes]] = []
        self._beat_count = 0
        self._mark: Mark | None = None

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
        for path in self.paths.values():
            self._draw_beats(path)
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
        self._wake_up(path)
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
        self._wake_up(path)
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
        self._let_sleep(path)
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
                pass_on = partial(self._hand_down, path, topic, payload, False)
                if path.dark:
                    path.held_down.append(pass_on)
                else:
                    self._schedule.after(self._delay(bits), pass_on)
                    bits = path.chance.bits() if copies > 1 else 0

    def _hand_down(self, path: Path, topic: str, payload: bytes, retain: bool) -> None:
        if path.dark:
            path.held_down.append(partial(self._hand_down, path, topic, payload, retain))
        elif path.alive:
            path.hears.hear(topic, payload, retain)

    # --- beats: the most frequent message, to all. One of a clock and epoch that a board knows sets
    # nothing off, so what became of it is drawn when the board next looks.

    def _send_beat(self, topic: str, payload: bytes, ears: dict[str, Path]) -> None:
        said = json.loads(payload)
        mark = (said["clock"], said["epoch"])
        if mark != self._mark:
            self._mark = mark
            for path in ears.values():
                self._wake_up(path)
        for path in ears.values():
            if path.next_beat is None:
                self._send_news(path, topic, payload, mark)
        if len(self._beats) >= BEATS_MAX:
            for path in ears.values():
                self._draw_beats(path)
            self._beats.clear()
        self._beats.append((self._schedule.now_ms, payload))
        self._beat_count += 1

    def _send_news(self, path: Path, topic: str, payload: bytes, mark: Mark) -> None:
        bits = path.beats.bits()
        if bits % FIELD < self._is_lost:
            return
        if path.dark:
            path.held_down.append(partial(self._hand_down, path, topic, payload, False))
        else:
            hear = partial(self._hear_news, path, topic, payload, mark)
            self._schedule.after(self._delay(bits), hear)

    def _hear_news(self, path: Path, topic: str, payload: bytes, mark: Mark) -> None:
        if path.alive:
            path.hears.hear(topic, payload, retain=False)
            path.mark = mark
            self._let_sleep(path)

    def _let_sleep(self, path: Path) -> None:
        """From now on its beats wait until it looks, if it knows them."""
        if path.next_beat is None and path.mark == self._mark and path.alive and not path.dark:
            path.next_beat = self._beat_count

    def _wake_up(self, path: Path) -> None:
        """From now on each beat is sent on by itself."""
        self._draw_beats(path)
        path.next_beat = None

    def _draw_beats(self, path: Path) -> None:
        if path.next_beat is None:
            return
        waiting = self._beat_count - path.next_beat
        for sent_ms, payload in self._beats[-waiting:] if waiting else ():
            bits = path.beats.bits()
            if bits % FIELD >= self._is_lost:
                path.coming.append((sent_ms + self._delay(bits), payload))
        path.next_beat = self._beat_count

    def beats_of(self, path: Path) -> list[tuple[int, bytes]]:
        """Take out the beats that are there by now, with the instants at which they came."""
        if path.next_beat is not None and path.next_beat < self._beat_count:
            self._draw_beats(path)
        coming, now_ms = path.coming, self._schedule.now_ms
        if not coming:
            return coming
        coming.sort()
        if coming[-1][0] <= now_ms:
            path.coming = []
            return coming
        there = [each for each in coming if each[0] <= now_ms]
        del coming[: len(there)]
        return there

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
