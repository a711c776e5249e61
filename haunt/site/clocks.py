"""Instants as people read them: in the show's time zone, by a clock of 24 hours or of 12."""

import re
from contextvars import ContextVar
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from fastapi import Request

from haunt.core.calendar import utc

STYLES: Final = ("24", "12")
READING: Final = re.compile(r"(?<![\d:.])([01]\d|2[0-3]):([0-5]\d)(:[0-5]\d)?(?![\d:])")

_chosen: ContextVar[str] = ContextVar("clock", default=STYLES[0])


def style_of(request: Request) -> str:
    """Return the clock that this browser chose, 24 until it does. Programs have no choice."""
    found = request.cookies.get("clock", "")
    is_page = not request.url.path.startswith("/api/")
    return found if is_page and found in STYLES else STYLES[0]


def choose(style: str) -> None:
    """For all that is drawn in this request."""
    _chosen.set(style)


def lasting(ms: float) -> str:
    """A length of time in the two units that matter."""
    seconds = round(ms / 1000)
    for size, unit, small, part in ((86_400, "d", 3600, "h"), (3600, "h", 60, "min")):
        if seconds >= size:
            rest = seconds % size // small
            return f"{seconds // size} {unit}" + (f" {rest} {part}" if rest else "")
    return f"{seconds // 60} min" if seconds >= 120 else f"{seconds} s"


def seconds(ms: float) -> str:
    """Milliseconds as a person types seconds: `12.5`."""
    return f"{ms / 1000:g}"


class Clock:
    """By the given style, else by that of the request."""

    def __init__(self, zone: ZoneInfo, style: str = "") -> None:
        self._zone, self.style = zone, style or _chosen.get()
        self._is_twelve = self.style == "12"

    def local(self, at_ms: int) -> datetime:
        return utc(at_ms).astimezone(self._zone)

    def day(self, at_ms: int) -> date:
        return self.local(at_ms).date()

    def second(self, at_ms: int) -> str:
        return self._written(at_ms, ":%M:%S")

    def minute(self, at_ms: int) -> str:
        return self._written(at_ms, ":%M")

    def hour(self, hour: int) -> str:
        """A whole hour of a day, 0 to 23."""
        if not self._is_twelve:
            return f"{hour:02d}:00"
        return f"{hour % 12 or 12} {'am' if hour < 12 else 'pm'}"

    def moment(self, at_ms: int, today: date) -> str:
        """With the day where it is not today."""
        local = self.local(at_ms)
        day = "" if local.date() == today else f"{local:%d %b} "
        return f"{day}{self.second(at_ms)}"

    def date_and_minute(self, at_ms: int) -> str:
        return f"{self.local(at_ms):%Y-%m-%d} {self.minute(at_ms)}"

    def retold(self, words: str) -> str:
        """Give words that were made for everybody, by a clock of 24 hours, those of this clock."""
        return READING.sub(_twelve, words) if self._is_twelve else words

    def _written(self, at_ms: int, rest: str) -> str:
        local = self.local(at_ms)
        if not self._is_twelve:
            return f"{local:%H}{local:{rest}}"
        return f"{local.hour % 12 or 12}{local:{rest}} {'am' if local.hour < 12 else 'pm'}"


def _twelve(found: re.Match[str]) -> str:
    hour, rest = int(found[1]), f":{found[2]}{found[3] or ''}"
    return f"{hour % 12 or 12}{rest} {'am' if hour < 12 else 'pm'}"
