"""The last word on stop, in a file of a few bytes that is written over in place.

So it needs no room and no database: a disk that is full, or a database that somebody holds, must
not be where a stop is lost when the power goes a moment later. It never makes anybody wait.
"""

import json
import logging
import os
from pathlib import Path
from typing import Final, NamedTuple

from haunt.store.bell import Bell

log = logging.getLogger("haunt.store")

SIZE: Final = 64


class Latched(NamedTuple):
    stopped: bool = False
    epoch: int = 0


class StopLatch:
    """`note` may be called from any thread; a thread of its own writes the newest word."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._wanted: Latched | None = None
        self._bell = Bell("latch", self._run)

    def read(self) -> Latched:
        """What cannot be read may have been a stop, so it is one."""
        try:
            raw = self._path.read_bytes()
        except FileNotFoundError:
            return Latched()
        except OSError as fault:
            log.warning("the stop latch cannot be read: %s", fault)
            return Latched(stopped=True)
        if not raw:
            return Latched()  # made where there was no room for a word
        try:
            found = json.loads(raw)
            return Latched(bool(found["stopped"]), int(found["epoch"]))
        except (ValueError, KeyError, TypeError):
            log.warning("the stop latch is damaged: the show is stopped")
            return Latched(stopped=True)

    def start(self) -> None:
        self._bell.start()

    def note(self, stopped: bool, epoch: int) -> None:
        self._wanted = Latched(stopped, epoch)
        self._bell.ring()

    def close(self, timeout_s: float = 2.0) -> None:
        """Write what was noted last."""
        self._bell.end(timeout_s)

    def _run(self) -> None:
        while not self._bell.ending.is_set() or self._wanted is not None:
            self._bell.wait()
            wanted, self._wanted = self._wanted, None
            if wanted is None:
                continue
            try:
                self._write(wanted)
            except OSError as fault:  # journal and broker still have it
                log.warning("the stop latch cannot be written: %s", fault)

    def _write(self, wanted: Latched) -> None:
        """Over the same bytes: they are one sector, so it is the old word or the new one."""
        raw = json.dumps(wanted._asdict()).encode().ljust(SIZE - 1) + b"\n"
        file = os.open(self._path, os.O_WRONLY | os.O_CREAT, 0o600)
        try:
            os.pwrite(file, raw, 0)
            os.fsync(file)
        finally:
            os.close(file)
