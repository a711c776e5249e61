"""The one writer of the night's journal: a thread, a bounded queue, a transaction for what waits.

It never delays whoever puts. What it cannot write for five seconds it gives up, counts and says.
"""

import threading
import time
from collections import deque
from contextlib import suppress

from sqlalchemy import Engine, delete, insert, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import OperationalError

from haunt.live.ports import JournalCounts, JournalListener, Record
from haunt.store import tables
from haunt.store.rows import ORDER, Row, rows_of

QUEUE_MAX = 20_000
BATCH_MAX = 500
GIVE_UP_S = 5.0
RETRY_S = 0.25
SNAPSHOTS_KEPT = 3


class SqlJournal:
    """Satisfies `live.ports.Journal`. The listener is told from the writer's thread."""

    def __init__(
        self,
        engine: Engine,
        listener: JournalListener | None = None,
        queue_max: int = QUEUE_MAX,
        give_up_s: float = GIVE_UP_S,
    ) -> None:
        self._engine, self._listener, self._queue_max = engine, listener, queue_max
        self._give_up_s = give_up_s
        self._queue: deque[Record] = deque()
        self._something = threading.Condition()
        self._closing = False
        self._sleeping = False
        # Each is counted by one thread only: putters refuse, the writer gives up.
        self._committed = self._refused = self._given_up = 0
        self._failing = ""
        on_conflict = sqlite.insert if engine.dialect.name == "sqlite" else postgresql.insert
        self._statements = {
            table.name: on_conflict(table).on_conflict_do_nothing()
            if table in (tables.motions, tables.events, tables.snapshots)
            else insert(table)
            for table in ORDER
        }
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    def start(self, listener: JournalListener) -> None:
        self._listener = listener
        self._thread.start()

    def put(self, record: Record) -> bool:
        """Thread-safe; never waits for the disk."""
        if len(self._queue) >= self._queue_max or self._closing:
            self._refused += 1
            return False
        self._queue.append(record)
        if self._sleeping:
            with self._something:
                self._something.notify()
        return True

    def counts(self) -> JournalCounts:
        lost = self._refused + self._given_up
        return JournalCounts(self._committed, lost, len(self._queue), self._failing)

    def close(self, timeout_s: float = 3.0) -> None:
        """Write what is queued, if the disk lets us."""
        with self._something:
            self._closing = True
            self._something.notify()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _run(self) -> None:
        while True:
            with self._something:
                while not self._queue and not self._closing:
                    self._sleeping = True
                    self._something.wait(0.05)
                self._sleeping = False
            batch = self._next_batch()
            if batch:
                self._write_or_give_up(batch)
            elif self._closing:
                return

    def _next_batch(self) -> list[Record]:
        batch: list[Record] = []
        with suppress(IndexError):
            while len(batch) < BATCH_MAX:
                batch.append(self._queue.popleft())
        return batch

    def _write_or_give_up(self, batch: list[Record]) -> None:
        until = time.monotonic() + self._give_up_s
        while True:
            try:
                self._write(rows_of(batch))
            except (OperationalError, OSError) as fault:  # the disk: it may come back
                self._failing = _said(fault)
                if time.monotonic() > until or self._closing or self._crowded:
                    self._give_up(batch)
                    return
                with self._something:
                    self._something.wait(RETRY_S)
                continue
            except Exception as fault:  # noqa: BLE001 - a record that cannot be written is lost alone
                self._failing = _said(fault)
                self._write_apart(batch)
                return
            self._failing = ""
            self._committed += len(batch)
            self._tell(batch, kept=True)
            return

    def _write_apart(self, batch: list[Record]) -> None:
        if len(batch) == 1:
            self._give_up(batch)
            return
        middle = len(batch) // 2
        self._write_or_give_up(batch[:middle])
        self._write_or_give_up(batch[middle:])

    def _give_up(self, batch: list[Record]) -> None:
        self._given_up += len(batch)
        self._tell(batch, kept=False)

    @property
    def _crowded(self) -> bool:
        return len(self._queue) >= self._queue_max

    def _write(self, rows: dict[str, list[Row]]) -> None:
        with self._engine.begin() as connection:
            for table in ORDER:
                if table.name in rows:
                    connection.execute(self._statements[table.name], rows[table.name])
            if "snapshots" in rows:
                keep = (
                    select(tables.snapshots.c.number)
                    .order_by(tables.snapshots.c.number.desc())
                    .limit(SNAPSHOTS_KEPT)
                )
                connection.execute(
                    delete(tables.snapshots).where(tables.snapshots.c.number.not_in(keep))
                )

    def _tell(self, batch: list[Record], *, kept: bool) -> None:
        if self._listener is None:
            return
        try:
            if kept:
                self._listener.committed(batch)
            else:
                self._listener.lost(batch)
        except Exception as fault:  # noqa: BLE001 - the journal outlives its listener
            self._failing = _said(fault)


def _said(fault: Exception) -> str:
    return f"{type(fault).__name__}: {getattr(fault, 'orig', fault)}"[:200]
