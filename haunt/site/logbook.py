"""The log of what people do: put without waiting, written by a thread of its own, bounded."""

import logging
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from haunt.store.engines import StoreRefused
from haunt.store.roster import Deed

log = logging.getLogger("haunt.site")

QUEUE_MAX: Final = 2_000
BATCH_MAX: Final = 200
STRANGERS_A_MINUTE: Final = 60
MINUTE_MS: Final = 60_000
RETRY_S: Final = 1.0

WriteDeeds = Callable[[Sequence[Deed]], None]


class Logbook:
    """`put` may be called from any thread and touches no database; a stop passes through here.

    Strangers get a bounded share, so that nobody without a session fills the disk.
    """

    def __init__(self, write: WriteDeeds, queue_max: int = QUEUE_MAX) -> None:
        self._write, self._queue_max = write, queue_max
        self._queue: deque[Deed] = deque()
        self._something, self._ending = threading.Event(), threading.Event()
        self._minute, self._strangers = 0, 0
        self.lost = 0
        self._thread = threading.Thread(target=self._run, name="logbook", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def put(self, deed: Deed, *, is_stranger: bool = False) -> None:
        if (is_stranger and not self._is_within_share(deed.at_ms)) or (
            len(self._queue) >= self._queue_max
        ):
            self.lost += 1
            return
        self._queue.append(deed)
        self._something.set()

    def write_now(self) -> None:
        """Write what waits; what cannot be written waits on. For the thread, and for tests."""
        while self._queue:
            batch = [self._queue[each] for each in range(min(BATCH_MAX, len(self._queue)))]
            self._write(batch)
            for _ in batch:
                self._queue.popleft()

    def stop(self, timeout_s: float = 2.0) -> None:
        self._ending.set()
        self._something.set()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def _is_within_share(self, at_ms: int) -> bool:
        minute = at_ms // MINUTE_MS
        if minute != self._minute:
            self._minute, self._strangers = minute, 0
        self._strangers += 1
        return self._strangers <= STRANGERS_A_MINUTE

    def _run(self) -> None:
        while True:
            self._something.wait()
            self._something.clear()
            try:
                self.write_now()
            except StoreRefused as fault:
                log.warning("the logbook waits: %s", fault)
                self._ending.wait(RETRY_S)
                self._something.set()
                if self._ending.is_set():
                    return
            if self._ending.is_set() and not self._queue:
                return
