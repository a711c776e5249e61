"""The one writer of the night's journal: a thread, a bounded queue, a transaction for what waits.

It never delays whoever puts. What it cannot write for five seconds it gives up, counts and says.
"""

import threading
import time
from collections import deque
from collections.abc import Callable
from queue import SimpleQueue
from typing import Final

from sqlalchemy import Engine
from sqlalchemy.exc import (
    DatabaseError,
    DataError,
    IntegrityError,
    InterfaceError,
    ProgrammingError,
)

from haunt.live.ports import JournalCounts, JournalListener, Record
from haunt.store.engines import log_bytes_of
from haunt.store.ledger import Ledger
from haunt.store.refusal import StoreRefused

QUEUE_MAX: Final = 20_000
BATCH_MAX: Final = 500
GATHER_S: Final = 0.05
PATIENT: Final = 4
LONG_LOG_BYTES: Final = 16 * 1024 * 1024
"""From here on somebody reads long, and commits begin so many times as far apart."""
GIVE_UP_S: Final = 5.0
RETRY_S: Final = 0.1
RETRY_S_MAX: Final = 1.0

THE_RECORD: Final = (IntegrityError, DataError, ProgrammingError)
THE_DISK: Final = (DatabaseError, InterfaceError, OSError, StoreRefused)


class SqlJournal:
    """Satisfies `live.ports.Journal`. The listener is told from the writer's thread."""

    def __init__(  # noqa: PLR0913 - explicit values, joined in one place
        self,
        engine: Engine,
        listener: JournalListener | None = None,
        queue_max: int = QUEUE_MAX,
        give_up_s: float = GIVE_UP_S,
        *,
        now_s: Callable[[], float] = time.monotonic,
        fence: str = "",
        gather_s: float = GATHER_S,
        log_bytes: Callable[[], int] | None = None,
    ) -> None:
        self._ledger = Ledger(engine, fence)
        self._listener, self._queue_max = listener, queue_max
        self._give_up_s, self._now_s = give_up_s, now_s
        self._queue: deque[Record] = deque()
        self._sleeping = self._closing = False
        self._bell: SimpleQueue[None] = SimpleQueue()
        self._closed = threading.Event()
        # The writer's own: what it has taken from the queue and not settled, how much it has
        # settled, and of each attempt that failed when it began and how much had arrived by then.
        self._hand: list[Record] = []
        self._settled = 0
        self._attempts: deque[tuple[float, int]] = deque()
        self._batch_max, self._pause_s = BATCH_MAX, RETRY_S
        self._gather_s, self._gather_until_s = gather_s, 0.0
        self._log_bytes = log_bytes or log_bytes_of(engine)
        # Each is counted by one thread only: putters refuse, the writer gives up.
        self._committed = self._refused = self._given_up = 0
        self._failing = ""
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    def start(self, listener: JournalListener) -> None:
        self._listener = listener
        self._thread.start()

    def put(self, record: Record) -> bool:
        """Thread-safe; never waits for the disk."""
        if self._closing or len(self._queue) >= self._queue_max:
            self._refused += 1
            return False
        self._queue.append(record)
        if self._sleeping:
            self._sleeping = False
            self._bell.put(None)
        return True

    def counts(self) -> JournalCounts:
        backlog = len(self._queue) + len(self._hand)  # nothing, only when all is committed
        lost = self._refused + self._given_up
        return JournalCounts(self._committed, lost, backlog, self._failing)

    def close(self, timeout_s: float = 3.0) -> None:
        """Write what is queued; on a failing disk give it up, told and counted, without waiting."""
        self._closing = True
        self._closed.set()
        self._bell.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    # --- the writer's thread

    def _run(self) -> None:
        while True:
            self._gather()
            self._take()
            if self._hand:
                self._write()
            elif self._closing:
                break
            else:
                self._sleep()
        self._ledger.close()

    def _gather(self) -> None:
        """Let the next batch begin a moment after the last: what comes to rest is written at once.

        A commit costs as much processor time as a dozen records, wears a memory card, and lengthens
        the log, which nobody can shorten while somebody reads long: then moments are longer.
        """
        wait_s = self._gather_until_s - self._now_s()
        if wait_s > 0 and len(self._queue) < BATCH_MAX:
            self._closed.wait(min(wait_s, self._gather_s * PATIENT))

    def _take(self) -> None:
        """Fill the hand with what there is."""
        while self._queue and len(self._hand) < BATCH_MAX:
            self._hand.append(self._queue.popleft())

    def _sleep(self) -> None:
        # Said before looking again: whoever puts after the look finds it and rings.
        self._sleeping = True
        if not self._queue and not self._closing:
            self._bell.get()
        self._sleeping = False

    def _write(self) -> None:
        records = self._hand[: self._batch_max]
        attempt = (self._now_s(), self._settled + len(self._hand) + len(self._queue))
        is_long = self._log_bytes() > LONG_LOG_BYTES
        self._gather_until_s = attempt[0] + self._gather_s * (PATIENT if is_long else 1)
        try:
            self._ledger.write(records)
        except THE_RECORD as fault:
            self._part(records, fault)
        except THE_DISK as fault:
            self._attempts.append(attempt)
            self._endure(fault)
        except Exception as fault:  # noqa: BLE001 - a record that cannot be encoded is lost alone
            self._part(records, fault)
        else:
            self._batch_max, self._pause_s = BATCH_MAX, RETRY_S
            self._attempts.clear()
            self._committed += len(records)
            self._failing = ""
            self._settle(records, kept=True)

    def _part(self, records: list[Record], fault: Exception) -> None:
        """Halve the batch until the record that does not fit stands alone, and give up that."""
        self._failing = _said(fault)
        if len(records) > 1:
            self._batch_max = len(records) // 2
        else:
            self._batch_max = BATCH_MAX
            self._give_up(records)

    def _endure(self, fault: Exception) -> None:
        """The disk may come back: give up what is too old, keep the rest, pause, try again."""
        self._failing = _said(fault)
        oldest_s, too_old = self._now_s() - self._give_up_s, 0
        while self._attempts and self._attempts[0][0] <= oldest_s:
            too_old = self._attempts.popleft()[1]
        while self._hand and (self._closing or self._settled < too_old):
            in_hand = len(self._hand) if self._closing else too_old - self._settled
            self._give_up(self._hand[:in_hand])
            self._take()
        if self._hand:
            self._closed.wait(self._pause_s)
            self._pause_s = min(self._pause_s * 2, RETRY_S_MAX)

    def _give_up(self, records: list[Record]) -> None:
        self._given_up += len(records)
        self._settle(records, kept=False)

    def _settle(self, records: list[Record], *, kept: bool) -> None:
        """These are the first in hand; tell what became of them."""
        del self._hand[: len(records)]
        self._settled += len(records)
        if self._listener is None:
            return
        try:
            if kept:
                self._listener.committed(records)
            else:
                self._listener.lost(records)
        except Exception as fault:  # noqa: BLE001 - the journal outlives its listener
            self._failing = _said(fault)


def _said(fault: Exception) -> str:
    return f"{type(fault).__name__}: {getattr(fault, 'orig', fault)}"[:200]
