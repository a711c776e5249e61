"""Whether a broker answers here: a knock once a second, for a server that stands by."""

import threading
import time
from typing import Final, Self

from haunt.mqtt.client import Account
from haunt.mqtt.listening import speaks

PAUSE_S: Final = 1.0
PATIENCE_S: Final = 1.0
FRESH_S: Final = 2.5
"""One knock may be refused; one that nobody answers takes its patience, and is one too many."""


class Reach:
    """For the length of a block; `holds` may be asked from any thread."""

    def __init__(self, account: Account) -> None:
        self._account = account
        self._answered_s = float("-inf")
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="reach", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()

    def holds(self) -> bool:
        return time.monotonic() - self._answered_s < FRESH_S

    def _run(self) -> None:
        at = self._account
        while not self._ending.is_set():
            if speaks(at.host, at.port, PATIENCE_S, at.tls):
                self._answered_s = time.monotonic()
            self._ending.wait(PAUSE_S)
