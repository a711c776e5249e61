"""The thread that keeps a server's hold on the show, or waits for it; several servers, one show.

It never decides anything: it says when this server may speak, and begins another turn when that
changes for good.
"""

import hashlib
import json
import logging
import os
import socket
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from haunt.live.receipts import WAIT_MS
from haunt.store.ownership import LEASE_S, STANDBY_MS, Lost, Ownership, Seen
from haunt.store.refusal import StoreRefused

log = logging.getLogger("haunt.owner")
BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")
FIRST_S: Final = 8.0
DOUBT_MS: Final = int(LEASE_S * 1000) + 500
SILENT_MS: Final = 5000
"""An owner that has not heard the broker for so long gives way to who does. A broker that was
started again is back sooner, and answers to our pings are 2 s apart.
"""


class Owning:
    """`owns`, `holds` and `seen` may be asked from any thread."""

    def __init__(self, ownership: Ownership, changed: Callable[[], None]) -> None:
        self._ownership, self._changed = ownership, changed
        self._ending, self._first = threading.Event(), threading.Event()
        self._wake, self._woken = socket.socketpair()
        self.trouble = ""
        self.silent_ms: Callable[[], int] = lambda: 0
        """How long the broker was not heard by the night that this server runs."""
        self._thread = threading.Thread(target=self._run, name="owning", daemon=True)

    def start(self) -> None:
        """Return once it is known who runs the show. Raises StoreRefused."""
        self._thread.start()
        if not self._first.wait(FIRST_S):
            raise StoreRefused(f"it cannot be known who runs the show: {self.trouble}")

    def stop(self) -> None:
        """Let go, so that whoever stands by need not wait."""
        self._ending.set()
        self._wake.send(b".")
        self._thread.join(5)
        if not self._thread.is_alive():
            self._ownership.release()
            self._wake.close()
            self._woken.close()

    @property
    def owns(self) -> bool:
        return self._ownership.owns

    @property
    def fence(self) -> tuple[int, str]:
        """The epoch that it began with, and the word under which its journal is written."""
        fence = self._ownership.fence
        return fence.epoch, fence.text

    @property
    def seen(self) -> Seen:
        return self._ownership.seen

    def patience_ms(self) -> int:
        """How long a motion may wait to be kept before the broker is told to forget it.

        While another server could take over, until it is clear who has the show: who has it is
        sent the motion again.
        """
        return DOUBT_MS if self._ownership.is_guarded else WAIT_MS

    def standing_by(self, reaches: Callable[[], bool]) -> None:
        """While it waits it says whether the broker answers here."""
        self._ownership.reaches, self.silent_ms = reaches, lambda: 0

    def other(self) -> str:
        """Where the server is that would take over; empty where none was heard lately."""
        standby = self.seen.standby
        return standby.address if standby is not None and standby.age_ms < STANDBY_MS else ""

    def holds(self) -> bool:
        return self._ownership.holds()

    def _run(self) -> None:
        while not self._ending.is_set():
            owned = self._ownership.owns
            try:
                self._ownership.step()
                self._give_way()
                self.trouble = ""
                self._first.set()
            except Lost as lost:
                self.trouble = ""
                log.warning("%s", lost)
            except Exception as fault:  # noqa: BLE001 - it must go on trying, whatever it was
                words = next(iter(str(fault).strip().splitlines()), "")
                self._say(f"{type(fault).__name__}: {words}"[:200])
            if self._ownership.owns != owned and self._first.is_set():
                self._changed()
            self._ownership.pause(self._woken)

    def _give_way(self) -> None:
        """A show without its broker is none: it goes to who has it, where somebody does."""
        heir = self._ownership.heir()
        if self._ownership.owns and heir is not None and self.silent_ms() >= SILENT_MS:
            log.warning("no broker is heard here, but at %s: the show goes there", heir.address)
            self._ownership.release()

    def _say(self, words: str) -> None:
        if words != self.trouble:
            self.trouble = words
            log.warning("the hold on the show: %s", words)


def place_of(data: Path) -> str:
    """Name a folder on this machine until its next boot: whoever has it alone is the only one.

    Two containers may share a boot and a path, and a copied folder its files; not all of it.
    """
    kept = data / "place.json"
    if not kept.exists():
        kept.write_text(json.dumps(os.urandom(8).hex()))
    boot = BOOT_ID.read_text() if BOOT_ID.exists() else os.urandom(8).hex()
    at = kept.stat()
    told = f"{kept.read_text()} {boot} {kept.resolve()} {at.st_dev} {at.st_ino}"
    return hashlib.sha256(told.encode()).hexdigest()[:24]
