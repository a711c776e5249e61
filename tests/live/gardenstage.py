"""A running night on a virtual clock with scripted boards that can be told to misbehave."""

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Outcome
from haunt.core.show import Show
from haunt.live.alerts.book import Alert
from haunt.live.night import RunningNight
from haunt.live.ports import AlertRow, Arrival, JournalCounts, LinkState
from haunt.live.views import Labels
from haunt.study.schedule import Schedule
from haunt.workshop.pack import charge_percent
from tests.core.stage import EVENING, prop, sensor, show
from tests.fakes.broker import FakeJournal, FakeOutbox

START_MS = 5_000_000
HEALTH_MS = 5_000
LIPO_FULL_MV = 8_300
LIPO_LOW_MV = 7_300


@dataclass(slots=True)
class FakeShelf:
    """Satisfies `ports.AlertShelf` from memory."""

    kept: list[AlertRow] = field(default_factory=list)
    free: int | None = 50_000

    def open_alerts(self) -> list[AlertRow]:
        return self.kept

    def free_mb(self) -> int | None:
        return self.free


class StageJournal(FakeJournal):
    """Commits at once while `keeps`; `counted` overrides what it says of itself."""

    counted: JournalCounts | None = None
    keeps = True

    def counts(self) -> JournalCounts:
        return self.counted or super().counts()


class StageOutbox(FakeOutbox):
    def __init__(self, hear: Callable[[str, dict[str, Any]], None]) -> None:
        super().__init__()
        self._hear = hear

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        sent = super().publish(topic, payload, qos=qos, retain=retain)
        if sent:
            self._hear(topic, json.loads(payload))
        return sent


@dataclass(slots=True, eq=False)
class Board:
    """One scripted board: it does as firmware does, save for what a test told it otherwise."""

    id: str
    garden: "Garden"
    boot: str
    conn: int = 0
    seq: int = 0
    booted_ms: int = 0
    is_on: bool = False
    answers: bool = True
    hears_stop: bool = True
    battery_mv: int | None = None
    reset: str = "soft"
    stopped: bool = False
    epoch: int = 0
    lost_motions: int = 0
    counted: dict[str, int] = field(default_factory=dict)
    high: set[str] = field(default_factory=set)
    active: dict[str, int] = field(default_factory=dict)
    _health_ms: int = 0

    def start(self, boot: str | None = None, reset: str | None = None) -> None:
        """Power up and say hello."""
        if boot is not None:
            self.boot = boot
        self.reset = reset or self.reset
        self.is_on, self.conn, self.seq = True, 1, 0
        self.booted_ms = self._health_ms = self.garden.now
        self.counted, self.active = {}, {}
        self.hello()

    def hello(self, **more: Any) -> None:
        said = {"boot": self.boot, "conn": self.conn, "up_ms": self.up_ms, "reset": self.reset}
        self.garden.tell(f"{self.id}/presence", state="here", **said, **more)

    def will(self) -> None:
        self.is_on = False
        self.garden.tell(f"{self.id}/presence", state="gone", boot=self.boot, conn=self.conn)

    @property
    def up_ms(self) -> int:
        return self.garden.now - self.booted_ms

    def health(self) -> None:
        passed = self.garden.now - self._health_ms
        self._health_ms = self.garden.now
        for name in self.high:
            self.active[name] = self.active.get(name, 0) + passed
        more = {} if self.battery_mv is None else {"battery_mv": self.battery_mv}
        self.garden.tell(
            f"{self.id}/health",
            boot=self.boot,
            up_ms=self.up_ms,
            motions=self.counted,
            active=self.active,
            stopped=self.stopped,
            epoch=self.epoch,
            **more,
        )

    def sense(self, name: str, **more: Any) -> None:
        self.seq += 1
        self.counted[name] = self.counted.get(name, 0) + 1
        if self.lost_motions:
            self.lost_motions -= 1
            return
        said = {"boot": self.boot, "seq": self.seq, "age_ms": 0, **more}
        self.garden.tell(f"{self.id}/motion", sensor=name, **said)

    def hear(self, topic: str, payload: dict[str, Any]) -> None:
        if topic.endswith(f"/{self.id}/cue") and self.answers:
            self.garden.after(20, lambda: self._report(payload["cue"], "started"))
            self.garden.after(4_000, lambda: self._report(payload["cue"], "finished"))
        if topic.endswith("/all/stop") and self.hears_stop:
            self.stopped, self.epoch = payload["stopped"], payload["epoch"]
            self.garden.after(20, self.health)

    def _report(self, cue: str, state: str) -> None:
        if self.is_on:
            self.garden.tell(f"{self.id}/report", cue=cue, boot=self.boot, state=state)


class Garden:
    """`boards` boards in a row, each with a sensor `s1…` and a prop `p1…` of its own."""

    def __init__(
        self,
        boards: int = 3,
        *,
        of: Show | None = None,
        wall_ms: int = EVENING,
        shelf: FakeShelf | None = None,
        labels: Labels | None = None,
    ) -> None:
        self.schedule = Schedule(START_MS, wall_ms)
        self.journal, self.shelf = StageJournal(), shelf or FakeShelf()
        self.outbox = StageOutbox(self._heard)
        self.show = of or row_of(boards)
        self.boards = {
            each.id: Board(each.id, self, f"{at:012x}") for at, each in enumerate(self.show.boards)
        }
        self.packs: dict[str, tuple[str, int]] = {}
        self.night = self._new_night()
        if labels is not None:
            self.night.relabel(labels)

    def _new_night(self) -> RunningNight:
        return RunningNight(
            Arbiter(self.show),
            self.outbox,
            self.journal,
            clock_id="c1",
            charge_of=self._charge_of,
            shelf=self.shelf,
        )

    def _charge_of(self, board: str, mv: int) -> int | None:
        pack = self.packs.get(board)
        return None if pack is None else charge_percent(*pack, mv)

    def open(self) -> "Garden":
        """Let the broker and all boards be there, and wait until nothing is new any more."""
        self.link(up=True)
        self.run(400)
        for board in self.boards.values():
            board.start()
        self._beat_health()
        return self.run(40_000)

    def _beat_health(self) -> None:
        for board in self.boards.values():
            if board.is_on:
                board.health()
        self.after(HEALTH_MS, self._beat_health)

    # --- time

    @property
    def now(self) -> int:
        return self.schedule.now_ms

    def after(self, ms: int, what: Callable[[], None]) -> None:
        self.schedule.after(ms, what)

    def every(self, ms: int, what: Callable[[], None], times: int) -> None:
        for number in range(times):
            self.after(number * ms, what)

    def run(self, for_ms: int) -> "Garden":
        until = self.now + for_ms
        while self.now < until:
            due = [self.schedule.next_ms(), self.night.next_due_ms(self.now), until]
            at = min(max(each, self.now) for each in due if each is not None)
            self.schedule.run_until(max(at, self.now))
            self.night.advance(self.now, self.schedule.wall_ms())
            if self.journal.keeps:
                self.night.receipts.committed(self.journal.records)
        return self

    # --- the wire

    def link(self, *, up: bool) -> None:
        self.outbox.up = up
        self.night.link(LinkState(up, self.now, self.schedule.wall_ms()))

    def tell(self, topic: str, **payload: Any) -> None:
        self.tell_raw(topic, json.dumps(payload).encode())

    def tell_raw(self, topic: str, payload: bytes) -> None:
        at = (self.now, self.schedule.wall_ms())
        self.night.receive(Arrival(f"haunt/garden/{topic}", payload, False, *at))

    def _heard(self, topic: str, payload: dict[str, Any]) -> None:
        for board in self.boards.values():
            if board.is_on:
                board.hear(topic, payload)

    # --- what came of it

    def keys(self) -> list[str]:
        return [each.key for each in self.night.alerts.open()]

    def alert(self) -> Alert:
        [only] = self.night.alerts.open()
        return only

    def rows(self, key: str = "") -> list[AlertRow]:
        found = [each.alert for each in self.journal.records if each.alert is not None]
        return [each for each in found if key in each.key]

    def number(self) -> int:
        """Return the number of the record that opened the first alert."""
        return next(each.number for each in self.journal.records if each.alert is not None)

    def decisions(self) -> list[Decision]:
        return [each for record in self.journal.records for each in record.decisions]

    def fired(self, prop_id: str) -> int:
        return sum(
            each.outcome is Outcome.FIRED and each.prop == prop_id for each in self.decisions()
        )

    def walk(self, gap_ms: int = 5_000, blind: str = "") -> None:
        """One group walks past all sensors; the blind one sees nothing."""
        for at, each in enumerate(self.show.sensors):
            if each.id != blind:
                board = self.boards[each.board]
                self.after(at * gap_ms, lambda b=board, s=each.id: b.sense(s))  # type: ignore[misc]


def row_of(boards: int) -> Show:
    things: list[Any] = []
    for n in range(1, boards + 1):
        things += [prop(f"p{n}", board=f"b{n}"), sensor(f"s{n}", f"p{n}", f"b{n}")]
    return show(*things)
