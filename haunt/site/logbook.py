"""The log of what people do: put without waiting, written by a thread of its own, bounded."""

import logging
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from haunt.core.calendar import MINUTE_MS
from haunt.store.bell import Bell
from haunt.store.refusal import StoreRefused
from haunt.store.roster import Deed

log = logging.getLogger("haunt.site")

QUEUE_MAX: Final = 2_000
BATCH_MAX: Final = 200
STRANGERS_A_MINUTE: Final = 60
RETRY_S: Final = 1.0

WriteDeeds = Callable[[Sequence[Deed]], None]


class Logbook:
    """`put` may be called from any thread and touches no database; a stop passes through here.

    Strangers get a bounded share, so that nobody without a session fills the disk.
    """

    def __init__(self, write: WriteDeeds, queue_max: int = QUEUE_MAX) -> None:
        self._write, self._queue_max = write, queue_max
        self._queue: deque[Deed] = deque()
        self._minute, self._strangers = 0, 0
        self.lost = 0
        self._bell = Bell("logbook", self._run)

    def start(self) -> None:
        self._bell.start()

    def put(self, deed: Deed, *, is_stranger: bool = False) -> None:
        if (is_stranger and not self._is_within_share(deed.at_ms)) or (
            len(self._queue) >= self._queue_max
        ):
            self.lost += 1
            return
        self._queue.append(deed)
        self._bell.ring()

    def write_now(self) -> None:
        """Write what waits; what cannot be written waits on. For the thread, and for tests."""
        while self._queue:
            batch = [self._queue[each] for each in range(min(BATCH_MAX, len(self._queue)))]
            self._write(batch)
            for _ in batch:
                self._queue.popleft()

    def stop(self, timeout_s: float = 2.0) -> None:
        self._bell.end(timeout_s)

    def _is_within_share(self, at_ms: int) -> bool:
        minute = at_ms // MINUTE_MS
        if minute != self._minute:
            self._minute, self._strangers = minute, 0
        self._strangers += 1
        return self._strangers <= STRANGERS_A_MINUTE

    def _run(self) -> None:
        while True:
            self._bell.wait()
            try:
                self.write_now()
            except StoreRefused as fault:
                log.warning("the logbook waits: %s", fault)
                self._bell.ending.wait(RETRY_S)
                self._bell.ring()
                if self._bell.ending.is_set():
                    return
            if self._bell.ending.is_set() and not self._queue:
                return
