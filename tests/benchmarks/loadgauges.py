"""What a process costs, read beside it once a second: processor, memory, handles, threads, its log.

It reads /proc and file sizes only, so that nothing is asked of the process itself.
"""

import os
import threading
import time
from pathlib import Path
from typing import NamedTuple, Self

EVERY_S = 1.0
TICKS = os.sysconf("SC_CLK_TCK")
PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6


class Reading(NamedTuple):
    at_s: float
    busy_s: float
    memory_mb: float
    handles: int
    threads: int
    log_mb: float


class Gauges:
    """A thread that takes a reading a second for the length of the block."""

    def __init__(self, pid: int, database: Path) -> None:
        self._process = Path(f"/proc/{pid}")
        self._log = database.with_name(database.name + "-wal")
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self.readings: list[Reading] = []

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def read(self) -> Reading:
        fields = (self._process / "stat").read_text().rpartition(") ")[2].split()
        return Reading(
            time.monotonic(),
            (int(fields[11]) + int(fields[12])) / TICKS,
            int((self._process / "statm").read_text().split()[1]) * PAGE_MB,
            len(list((self._process / "fd").iterdir())),
            int(fields[17]),
            self._log.stat().st_size / 1e6 if self._log.exists() else 0.0,
        )

    def _run(self) -> None:
        while True:
            self.readings.append(self.read())
            if self._ending.wait(EVERY_S):
                return


class Slope(NamedTuple):
    """What a straight line through the readings gains in an hour, and its standard error."""

    an_hour: float
    error: float


def slope(readings: list[Reading], of: str) -> Slope:
    """By least squares; the error takes readings as independent, so it is a least one."""
    count = len(readings)
    if count < 3:
        return Slope(0.0, float("inf"))
    hours = [each.at_s / 3600 for each in readings]
    values = [float(getattr(each, of)) for each in readings]
    middle, level = sum(hours) / count, sum(values) / count
    spread = sum((each - middle) ** 2 for each in hours)
    pairs = list(zip(hours, values, strict=True))
    found = sum((at - middle) * (value - level) for at, value in pairs) / spread
    left = sum((value - level - found * (at - middle)) ** 2 for at, value in pairs)
    return Slope(found, (left / (count - 2) / spread) ** 0.5)
