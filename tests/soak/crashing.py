"""The real server in a process that ends itself by SIGKILL at one exact point.

`python -m tests.soak.crashing POINT N serve …` dies at the N-th time that it comes to the point.
"""

import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from typing import Any, Final

from sqlalchemy import Engine, event

from haunt.__main__ import main
from haunt.live.receipts import Receipts
from haunt.mqtt.client import BrokerClient
from haunt.store.journal import SqlJournal
from haunt.store.ledger import Ledger

EARLY: Final = "acknowledged early:"
POINTS: Final = (
    *("commit-before", "commit-after", "told-after"),
    *("ack-before", "ack-after"),
    *("cue-before", "cue-after", "publish-before", "publish-after"),
)


class Fuse:
    def __init__(self, point: str, number: int) -> None:
        self._point, self._left = point, number
        self._counting = threading.Lock()

    def passed(self, point: str) -> None:
        if point == self._point:
            with self._counting:
                self._left -= 1
                if self._left == 0:
                    os.kill(os.getpid(), signal.SIGKILL)


def arm(fuse: Fuse) -> None:
    @event.listens_for(Engine, "commit")
    def _commit(_connection: object) -> None:
        if threading.current_thread().name == "journal":
            fuse.passed("commit-before")

    _wrap(Ledger, "write", fuse, lambda _words: "commit")
    _wrap(SqlJournal, "_settle", fuse, lambda _words: "told")
    _wrap(BrokerClient, "acknowledge", fuse, lambda _words: "ack")
    _wrap(BrokerClient, "publish", fuse, lambda words: _kind(str(words[1])))


def tell_early() -> None:
    """Say which motions were acknowledged before they were kept: half a second was over."""
    whole = Receipts.expire

    def expire(receipts: Receipts, mono_ms: int) -> None:
        due = tuple(receipts._due.items())
        whole(receipts, mono_ms)
        for number, (_since, key, _receipt) in due:
            if number in receipts._overdue:
                # One write: another thread's words must not come into the line.
                os.write(2, f"{EARLY} {key.board} {key.seq}\n".encode())

    Receipts.expire = expire  # type: ignore[method-assign, assignment]


def _kind(topic: str) -> str:
    return "cue" if topic.endswith("/cue") else "publish"


def _wrap(owner: type, name: str, fuse: Fuse, of: Callable[[tuple[Any, ...]], str]) -> None:
    whole = getattr(owner, name)

    def wrapped(*words: Any, **more: Any) -> Any:
        point = of(words)
        if point != "commit":  # that has a point within
            fuse.passed(f"{point}-before")
        found = whole(*words, **more)
        fuse.passed(f"{point}-after")
        return found

    setattr(owner, name, wrapped)


def begin(point: str, number: int, words: Sequence[str]) -> None:
    """Be `haunt` with these words, to die when the point is passed so often."""
    arm(Fuse(point, number))
    tell_early()
    sys.argv = ["haunt", *words]
    main()


if __name__ == "__main__":
    begin(sys.argv[1], int(sys.argv[2]), sys.argv[3:])
