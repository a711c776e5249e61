"""Instants (UTC ms) as text: RFC 3339 for programs, a stamp for names of files."""

from datetime import datetime

from haunt.core.calendar import utc


def rfc3339(at_ms: int) -> str:
    """UTC with milliseconds: `2026-10-31T18:00:00.250Z`."""
    return f"{utc(at_ms):%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def rfc3339_or_none(at_ms: int | None) -> str | None:
    return rfc3339(at_ms) if at_ms is not None else None


def rfc3339_second(at_ms: int) -> str:
    """UTC to the second: `2026-10-31T18:00:00Z`."""
    return f"{utc(at_ms):%Y-%m-%dT%H:%M:%SZ}"


def ms_of(text: str) -> int:
    """Return the UTC ms of a time as these functions write it."""
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def stamp(at_ms: int) -> str:
    """UTC to the second in letters that every file system takes: `20261031T180000Z`."""
    return f"{utc(at_ms):%Y%m%dT%H%M%SZ}"
