"""A store that can fail, and before it a journal that endures as ours does.

Every write is one transaction, all or nothing. What was not committed when the controller is
killed is gone; what was, a restart finds.
"""

import json
from collections import Counter, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple, Protocol

from haunt.core import events
from haunt.core.show import Show
from haunt.live.ports import AlertRow, JournalCounts, JournalListener, Record
from haunt.study.schedule import Schedule
from haunt.wire.eventcodec import decode_event, encode_event

COMMIT_MS: Final = 8
QUEUE_MAX: Final = 20_000
BATCH_MAX: Final = 500
GIVE_UP_MS: Final = 5_000
RETRY_MS, RETRY_MS_MAX = 100, 1_000
CLOCKS_KEPT: Final = 16
RECALLED_MAX: Final = 100
BOOTS_KEPT: Final = 32
ROOM_MB: Final = 50_000


class StoreFailedError(OSError):
    """The disk's fault: nothing of this write was kept, as far as anybody was told."""


@dataclass(slots=True)
class Breakdown:
    """From the `first` write on (from 1) so many fail, or all until an instant, or for ever.

    With `answer_lost` the first of them was kept after all, and only its answer never came.
    """

    first: int = 1
    writes: int | None = 1
    until_ms: int | None = None
    answer_lost: bool = False

    def fails(self, write: int, now_ms: int) -> bool:
        if write < self.first:
            return False
        if self.until_ms is not None:
            return now_ms < self.until_ms
        return self.writes is None or write < self.first + self.writes


class Stamp(NamedTuple):
    number: int
    mono_ms: int
    wall_ms: int


@dataclass(slots=True)
class Store:
    """What is kept. It grows with boards, alerts and a minute of events, never with the night."""

    schedule: Schedule
    breakdowns: list[Breakdown] = field(default_factory=list)
    last: Stamp | None = None
    shows: dict[int, Show] = field(default_factory=dict)
    counted: Counter[tuple[str, str]] = field(default_factory=Counter)
    clocks: list[str] = field(default_factory=list)
    writes: int = 0
    failed: int = 0
    listener: Callable[[list[Record]], None] = lambda _records: None
    _snapshot: tuple[int, dict[str, Any]] | None = None
    _version: int = 0
    _events: list[tuple[int, events.Event]] = field(default_factory=list)
    _alerts: dict[int, AlertRow] = field(default_factory=dict)
    _doubtful: int = 0

    def write(self, records: list[Record]) -> None:
        """Keep all of them or raise StoreFailedError."""
        self.writes += 1
        failing = self._breakdown() if self.breakdowns else None
        if failing is None:
            if self._doubtful:  # kept after all, though nobody was told
                records = [each for each in records if each.number > self._doubtful]
                self._doubtful = 0
            self._keep(records)
            return
        self.failed += 1
        if failing.answer_lost and self.writes == failing.first:
            self._keep(records)
            self._doubtful = records[-1].number
        raise StoreFailedError("no space left on device")

    def _breakdown(self) -> Breakdown | None:
        now = self.schedule.now_ms
        return next((each for each in self.breakdowns if each.fails(self.writes, now)), None)

    def mend(self) -> None:
        self.breakdowns.clear()

    @property
    def is_failing(self) -> bool:
        return any(each.fails(self.writes + 1, self.schedule.now_ms) for each in self.breakdowns)

    def _keep(self, records: list[Record]) -> None:
        if not records:
            return
        for record in records:
            event = record.event
            if event is not None:
                self._events.append((record.number, event))
                if type(event) is events.Motion:
                    self._count(event.board, event.boot)
            if record.snapshot is not None:
                self._snapshot = (record.number, record.snapshot)
                self._version = record.show_version
                self._events.clear()  # a snapshot stands after all that was put before it
                for version in [each for each in self.shows if each < record.show_version]:
                    del self.shows[version]
            if record.alert is not None:
                self._keep_alert(record.alert)
        self.last = Stamp(records[-1].number, records[-1].mono_ms, records[-1].wall_ms)
        self.listener(records)

    def _count(self, board: str, boot: str) -> None:
        if (board, boot) not in self.counted:
            known = [key for key in self.counted if key[0] == board]
            for key in known[: max(0, len(known) - BOOTS_KEPT)]:
                del self.counted[key]
        self.counted[board, boot] += 1

    def _keep_alert(self, alert: AlertRow) -> None:
        if alert.state == "cleared":
            self._alerts.pop(alert.alert, None)
        else:
            self._alerts[alert.alert] = alert

    # --- what a restart reads; `open_alerts` and `free_mb` satisfy AlertShelf

    def snapshot(self) -> dict[str, Any] | None:
        """Return the newest as it comes back from the disk."""
        if self._snapshot is None:
            return None
        found: dict[str, Any] = json.loads(json.dumps(self._snapshot[1]))
        return found

    def show_then(self) -> Show:
        """Return the show that the newest snapshot was taken under, at first the first."""
        return self.shows[self._version]

    def events_after(self) -> Iterator[events.Event]:
        """Yield what came after the newest snapshot, as it comes back from the disk."""
        for _number, event in self._events:
            kind, text = encode_event(event)
            yield decode_event(kind, event.mono_ms, event.wall_ms, text, self.shows.__getitem__)

    def new_clock(self, clock: str) -> frozenset[str]:
        """Keep the name of this start's clock; return those of the starts before."""
        known = frozenset(self.clocks)
        self.clocks = [*self.clocks, clock][-CLOCKS_KEPT:]
        return known

    def open_alerts(self) -> list[AlertRow]:
        return [*self._alerts.values()][-RECALLED_MAX:]

    def free_mb(self) -> int | None:
        return ROOM_MB


class Keeper(Protocol):
    """Told what became of records beside the night itself; `put` before anything is known."""

    def put(self, record: Record) -> None: ...
    def lost(self, records: list[Record]) -> None: ...


class SimJournal:
    """Satisfies `live.ports.Journal`: one for each start of the controller."""

    def __init__(self, schedule: Schedule, store: Store, keeper: Keeper) -> None:
        self.stuck_until_ms = 0
        self.listener: JournalListener | None = None
        self._schedule, self._store, self._keeper = schedule, store, keeper
        self._queue: list[Record] = []
        self._attempts: deque[tuple[int, int]] = deque()
        self._busy = self._dead = False
        self._pause_ms = RETRY_MS
        self._committed = self._lost = self._settled = 0
        self._failing = ""

    def put(self, record: Record) -> bool:
        self._keeper.put(record)
        if len(self._queue) >= QUEUE_MAX:
            self._lost += 1
            self._keeper.lost([record])
            return False
        self._queue.append(record)
        if not self._busy:
            self._busy = True
            self._schedule.after(COMMIT_MS, self._write)
        return True

    def counts(self) -> JournalCounts:
        return JournalCounts(self._committed, self._lost, len(self._queue), self._failing)

    def die(self) -> None:
        """The process was killed: what waits is gone, and nobody is told."""
        self._dead = True
        self._queue.clear()

    def _write(self) -> None:
        if self._dead:
            return
        now_ms = self._schedule.now_ms
        if now_ms < self.stuck_until_ms:
            self._schedule.at(self.stuck_until_ms, self._write)
            return
        batch = self._queue[:BATCH_MAX]
        try:
            self._store.write(batch)
        except StoreFailedError as fault:
            self._attempts.append((now_ms, self._settled + len(self._queue)))
            self._endure(fault)
        else:
            if self._failing:
                self._pause_ms, self._failing = RETRY_MS, ""
                self._attempts.clear()
            self._committed += len(batch)
            self._take_out(batch)
            if self.listener is not None:
                self.listener.committed(batch)
        self._go_on()

    def _endure(self, fault: StoreFailedError) -> None:
        """Give up what has waited too long, keep the rest."""
        self._failing = f"{type(fault).__name__}: {fault}"
        oldest_ms, too_old = self._schedule.now_ms - GIVE_UP_MS, 0
        while self._attempts and self._attempts[0][0] <= oldest_ms:
            too_old = self._attempts.popleft()[1]
        lost = self._queue[: max(0, too_old - self._settled)]
        if not lost:
            return
        self._take_out(lost)
        self._lost += len(lost)
        self._keeper.lost(lost)
        if self.listener is not None:
            self.listener.lost(lost)

    def _take_out(self, records: list[Record]) -> None:
        del self._queue[: len(records)]
        self._settled += len(records)

    def _go_on(self) -> None:
        if not self._queue:
            self._busy = False
        elif self._failing:
            self._schedule.after(self._pause_ms, self._write)
            self._pause_ms = min(self._pause_ms * 2, RETRY_MS_MAX)
        else:
            self._schedule.after(COMMIT_MS, self._write)
