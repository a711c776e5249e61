"""The controller's side of the exchange, steered by hand: beat, epoch, stop, cues, and what came.

It keeps the beat going while it waits; it never judges what it heard.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

from haunt.study.conformance.ports import Heard, Wire
from haunt.wire.errors import BoardSpokeNonsense
from haunt.wire.packets import SignIn
from haunt.wire.payloads import (
    Beat,
    Cue,
    Gone,
    Health,
    Here,
    Motion,
    Payload,
    Report,
    Settings,
    Stop,
    decode,
    encode,
)
from haunt.wire.topics import QOS, Kind, Topics

BEAT_MS: Final = 2000
TTL_MS: Final = 1500
PLAY_MS: Final = 400
"""`max_ms` of most cues: props are set off a dozen times, and nobody wants to see it all."""
ANSWER_MS: Final = 1500
SLACK_MS: Final = 500
"""What an end may come later than it should: the board's loop, the air, and our own look."""
NOBODY: Final = "no-such-behaviour"


@dataclass(frozen=True, slots=True)
class Subject:
    """The board and what of it may move; `stopped` and `epoch` are the show's own last word.

    `long` is a behaviour that outlasts the silence of the beat; empty where there is none.
    """

    show: str
    board: str
    prop: str
    behaviour: str
    duration_ms: int
    long: str = ""
    long_ms: int = 0
    version: int = 0
    stopped: bool = False
    epoch: int = 0
    motion_wait_ms: int = 0


class Timed(NamedTuple):
    """A report and when it came."""

    at_ms: int
    report: Report


class Bench:
    """Everything the board said is kept: a run is short.

    `clock` is a name of this run that no other has: its cues are named by it.
    """

    def __init__(self, wire: Wire, subject: Subject, clock: str) -> None:
        self.wire, self.subject = wire, subject
        self.topics = Topics(subject.show)
        self.epoch = subject.epoch
        self.here: list[tuple[int, Here]] = []
        self.gone: list[tuple[int, Gone]] = []
        self.health: list[tuple[int, Health]] = []
        self.motions: list[tuple[int, Motion]] = []
        self.reports: defaultdict[str, list[Timed]] = defaultdict(list)
        self.nonsense: list[str] = []
        self.read = 0
        self.cuts: list[int] = []
        self.lost = False
        self.stopped = False
        self.last_beat_ms = 0
        self.played = ""
        self.kept: Cue | None = None
        self._clock = clock
        self._cues = 0
        self._beat_due_ms: int | None = None

    # --- what is said

    def beat(self) -> None:
        """Beat now, and every two seconds from now on."""
        now_ms = self.wire.now_ms()
        self.last_beat_ms, self._beat_due_ms = now_ms, now_ms + BEAT_MS
        wall_ms = self.wire.wall_ms()
        beat = Beat(clock=self._clock, now_ms=now_ms, wall_ms=wall_ms, epoch=self.epoch)
        self._say(self.topics.beat, "beat", beat)

    def hush(self) -> None:
        self._beat_due_ms = None

    def stop(self, *, stopped: bool, epoch: int | None = None, retain: bool = True) -> int:
        """Raise the epoch, or say the one that is given; return when it was said."""
        if epoch is None:
            self.epoch += 1
        at_ms = self.wire.now_ms()
        word = Stop(stopped=stopped, epoch=self.epoch if epoch is None else epoch, at_ms=at_ms)
        self._say(self.topics.stop, "stop", word, retain=retain)
        return at_ms

    def still(self) -> None:
        """End what a board does not end by itself, or what comes next is judged in its place."""
        self.stop(stopped=True)
        self.fence()
        self.stop(stopped=False)
        self.beat()
        self.fence()

    def settle(self) -> None:
        """No board goes on alone while the beat is held back, and none minds a later key."""
        settings = Settings(version=self.subject.version, mode="still")
        raw = encode(settings)[:-1] + b',"later":{"key":[1]}}'
        topic = self.topics.settings(self.subject.board)
        self.wire.say(topic, raw, qos=QOS["settings"], retain=True)

    def cue(self, behaviour: str = "", max_ms: int = PLAY_MS) -> Cue:
        """A cue that nothing is wrong with, of this moment; not sent yet."""
        self._cues += 1
        return Cue(
            cue=f"test-{self._clock}-{self._cues}",
            epoch=self.epoch,
            prop=self.subject.prop,
            behaviour=behaviour or self.subject.behaviour,
            max_ms=max_ms,
            ttl_ms=TTL_MS,
            sent_ms=self.wire.now_ms(),
        )

    def send(self, cue: Cue, *, retain: bool = False) -> str:
        self.send_raw(encode(cue), retain=retain)
        return cue.cue

    def send_raw(self, payload: bytes, *, retain: bool = False) -> None:
        topic = self.topics.cue(self.subject.board)
        self.wire.say(topic, payload, qos=QOS["cue"], retain=retain)

    def _say(self, topic: str, kind: Kind, payload: Payload, *, retain: bool = False) -> None:
        self.wire.say(topic, encode(payload), qos=QOS[kind], retain=retain)

    # --- what is waited for

    def until(self, what: Callable[[], object], within_ms: int) -> bool:
        """Wait for it, beating on time; whether it came."""
        end_ms = self.wire.now_ms() + within_ms
        while not what():
            now_ms = self.wire.now_ms()
            if now_ms >= end_ms:
                return False
            self._turn(now_ms, end_ms)
        return True

    def answers(self, cue: str, count: int = 1, within_ms: int = ANSWER_MS) -> list[Timed]:
        """Reports on a cue, once there are so many or the time is over."""
        self.until(lambda: len(self.reports[cue]) >= count, within_ms)
        return self.reports[cue]

    def end_of(self, cue: Cue, within_ms: int | None = None) -> Timed | None:
        """How a play ended, waiting as long as it may take."""
        wait_ms = cue.max_ms + 2 * SLACK_MS if within_ms is None else within_ms
        self.until(lambda: ending(self.reports[cue.cue]), wait_ms)
        return ending(self.reports[cue.cue])

    def fence(self) -> None:
        """Wait until the board has dealt with all that was said: it answers in order.

        It is asked for a behaviour that it cannot have, so it moves nothing.
        """
        self.answers(self.send(self.cue(NOBODY)))

    def wait_ms(self, span_ms: int) -> None:
        self.until(lambda: False, span_ms)

    def sign_in(self) -> SignIn | None:
        """Its newest one."""
        found = self.wire.sign_ins()
        return found[-1] if found else None

    def _turn(self, now_ms: int, end_ms: int) -> None:
        due_ms = self._beat_due_ms
        if due_ms is not None and now_ms >= due_ms:
            self.beat()
            due_ms = self._beat_due_ms
        heard = self.wire.hear(max(1, min(end_ms, due_ms or end_ms) - now_ms))
        if heard is not None:
            self._take(heard)

    def _take(self, heard: Heard) -> None:
        found = self.topics.parse(heard.topic)
        if found is None or found.board != self.subject.board:
            return
        try:
            payload = decode(found.kind, heard.payload)
        except BoardSpokeNonsense as fault:
            self.nonsense.append(str(fault))
            return
        self.read += 1
        match payload:
            case Here():
                self.here.append((heard.at_ms, payload))
                if self._beat_due_ms is not None:
                    self.beat()
            case Gone():
                self.gone.append((heard.at_ms, payload))
            case Health():
                self.health.append((heard.at_ms, payload))
            case Motion():
                self.motions.append((heard.at_ms, payload))
            case Report():
                self.reports[payload.cue].append(Timed(heard.at_ms, payload))
            case _:
                self.nonsense.append(f"{found.kind}: a board does not say that")


def ending(reports: list[Timed]) -> Timed | None:
    return next((each for each in reports if each.report.state in ("finished", "aborted")), None)
