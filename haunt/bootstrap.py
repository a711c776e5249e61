"""The only place that builds adapters and joins them. Nothing else knows more than its ports."""

import secrets
import signal
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import asdict
from datetime import UTC, date
from pathlib import Path
from typing import Any

from haunt.config import Config, is_loopback
from haunt.core.arbiter import Arbiter
from haunt.core.calendar import Sunset
from haunt.live.prepare import Prepared, prepare
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showmodels import ShowFile

Say = Callable[[str], None]
DAY_MS = 86_400_000
CLOCKS_MAX = 16


class SystemClock:
    """The steady clock goes on from where the last start left it; see design of time."""

    def __init__(self, base_ms: int) -> None:
        self._offset_ns = base_ms * 1_000_000 - time.monotonic_ns()

    def mono_ms(self) -> int:
        return (time.monotonic_ns() + self._offset_ns) // 1_000_000

    def wall_ms(self) -> int:
        return time.time_ns() // 1_000_000


def resumed_mono_ms(last: tuple[int, int] | None, wall_ms: int) -> int:
    """Last stored steady time plus the wall time passed since, held within 0..24 h."""
    if last is None:
        return DAY_MS
    mono_ms, at_wall_ms = last
    return mono_ms + min(max(0, wall_ms - at_wall_ms), DAY_MS)


def sunset_of(file: ShowFile) -> Sunset:
    """Sunset by astral (within a minute of the printed almanac); None where there is none."""
    latitude, longitude = file.info.latitude, file.info.longitude
    if latitude is None or longitude is None:
        return lambda _day: None

    def sunset(day: date) -> int | None:
        from astral import Observer  # noqa: PLC0415 - most shows never ask
        from astral.sun import sunset as of_day  # noqa: PLC0415

        try:
            found = of_day(Observer(latitude, longitude), date=day, tzinfo=UTC)
        except ValueError:  # the sun does not set on that day
            return None
        return int(found.timestamp() * 1000)

    return sunset


def check_file(path: Path) -> dict[str, Any]:
    """Return every fault of a show file, and notes on what is legal and yet worth a thought."""
    try:
        read = read_show(path.read_text(encoding="utf-8"), str(path))
    except ShowFileRefused as refused:
        return {"faults": [asdict(fault) for fault in refused.faults], "notes": []}
    return {"faults": [], "notes": notes_on(prepare(read.show))}


def notes_on(prepared: Prepared) -> list[str]:
    """Say how many neighbours one motion can fire, and where patience outlasts the rest."""
    from haunt.study.notes import notes  # noqa: PLC0415

    return notes(prepared.show)
