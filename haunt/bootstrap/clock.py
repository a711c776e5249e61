"""The real clock, and the sun: the two outside facts that the rest is given as values."""

import os
import time
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from haunt.core.calendar import DAY_MS, Sunset
from haunt.live.memory import resumed_mono_ms
from haunt.wire.showmodels import ShowFile

__all__ = ["SystemClock", "local_zone", "noon_ms", "now_ms", "resumed_mono_ms", "sunset_of"]


class SystemClock:
    """The steady clock goes on from where the last start left it; see design of time."""

    def __init__(self, base_ms: int) -> None:
        self._offset_ns = base_ms * 1_000_000 - time.monotonic_ns()

    def mono_ms(self) -> int:
        return (time.monotonic_ns() + self._offset_ns) // 1_000_000

    def wall_ms(self) -> int:
        return now_ms()


def now_ms() -> int:
    """UTC ms by this machine's clock."""
    return time.time_ns() // 1_000_000


def noon_ms(night: date) -> int:
    """UTC ms of noon, by UTC: where no show names the zone."""
    return (night - date(1970, 1, 1)).days * DAY_MS + DAY_MS // 2


def local_zone(link: Path = Path("/etc/localtime")) -> str:
    """The zone that this machine is set to, as far as it says; else UTC."""
    places = (os.environ.get("TZ", ""), str(link.resolve()).partition("zoneinfo/")[2])
    return next((each for each in places if each in available_timezones()), "UTC")


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
