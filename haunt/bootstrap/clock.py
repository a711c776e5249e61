"""The real clock, and the sun: the two outside facts that the rest is given as values."""

import time
from datetime import date
from zoneinfo import ZoneInfo

from haunt.core.calendar import Sunset
from haunt.wire.showmodels import ShowFile

DAY_MS = 86_400_000


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
    """Sunset of a local date by astral (within a minute of the printed almanac); None where none.

    The zone matters: an evening in the west falls on the next day of UTC.
    """
    latitude, longitude = file.info.latitude, file.info.longitude
    zone = ZoneInfo(file.info.time_zone)
    if latitude is None or longitude is None:
        return lambda _day: None

    def sunset(day: date) -> int | None:
        from astral import Observer  # noqa: PLC0415 - most shows never ask
        from astral.sun import sunset as of_day  # noqa: PLC0415

        try:
            found = of_day(Observer(latitude, longitude), date=day, tzinfo=zone)
        except ValueError:  # the sun does not set on that day
            return None
        return int(found.timestamp() * 1000)

    return sunset
