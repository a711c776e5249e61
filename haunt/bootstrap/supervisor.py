"""Words to whoever supervises this process, by the protocol of sd_notify(3): ready, alive, ending.

Without a supervisor nothing is said. A word that cannot be sent is lost: none may cost a night.
"""

import os
import socket
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

BEATS_A_PERIOD: Final = 3
"""A supervisor that hears nothing for one period starts us anew; systemd asks for two beats."""


class Supervisor:
    def __init__(self, environment: Mapping[str, str], pid: int) -> None:
        """`NOTIFY_SOCKET` is a path, or a name that begins with @ in the abstract space."""
        self._address = environment.get("NOTIFY_SOCKET", "")
        for_us = environment.get("WATCHDOG_PID", str(pid)) == str(pid)
        period_us = environment.get("WATCHDOG_USEC", "") if for_us else ""
        is_told = period_us.isdigit() and int(period_us) > 0
        self.beat_s: Final = int(period_us) / 1e6 / BEATS_A_PERIOD if is_told else None

    def ready(self, words: str) -> None:
        self._say(f"READY=1\nSTATUS={words}")

    def alive(self) -> None:
        self._say("WATCHDOG=1")

    def ending(self) -> None:
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        if not self._address:
            return
        path = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.setblocking(False)
            out.sendto(words.encode(), path)


def supervisor() -> Supervisor:
    return Supervisor(os.environ, os.getpid())
