"""What the kept versions of the show file say of one setting over time."""

import tomllib
from typing import Final, NamedTuple

from sqlalchemy import ColumnElement, Engine, select

from haunt.store import tables

VERSIONS_MAX: Final = 40


def cooldowns_of(engine: Engine, prop: str) -> list[tuple[int, str, int]]:
    """Return (UTC ms, by whom, cooldown in ms) of every change, newest first."""
    table = tables.shows
    query = select(table.c.at_ms, table.c.by, table.c.text)
    with engine.connect() as connection:
        newest = connection.execute(query.order_by(table.c.version.desc()).limit(VERSIONS_MAX))
        versions = list(reversed(newest.all()))
    found: list[tuple[int, str, int]] = []
    for at_ms, by, text in versions:
        cooldown_ms = _cooldown_ms(text, prop)
        if cooldown_ms is not None and (not found or found[-1][2] != cooldown_ms):
            found.append((at_ms, by, cooldown_ms))
    return list(reversed(found))


def version_at(engine: Engine, wall_ms: int) -> tuple[int, str] | None:
    """Return (version, text) of the show that was in force at an instant, if there was one."""
    table = tables.shows
    query = select(table.c.version, table.c.text).where(table.c.at_ms <= wall_ms)
    with engine.connect() as connection:
        row = connection.execute(query.order_by(table.c.version.desc()).limit(1)).first()
    return (row[0], row[1]) if row is not None else None


def _cooldown_ms(text: str, prop: str) -> int | None:
    for each in tomllib.loads(text).get("prop", ()):
        if each.get("id") == prop:
            return round(float(each.get("cooldown_s", 0)) * 1000)
    return None


class ShowVersion(NamedTuple):
    """One version of the show file: its number, when (UTC ms) and by whom it was kept."""

    version: int
    at_ms: int
    by: str
    text: str


class ShowShelf:
    """The versions that were kept. Satisfies `site.planports.Shelf`; thread-safe."""

    def __init__(self, reading: Engine) -> None:
        self._reading = reading

    def versions(self, limit: int, before: int | None = None) -> list[ShowVersion]:
        """The newest first; below a number where one is named."""
        version = tables.shows.c.version
        return self._found(limit, *((version < before,) if before is not None else ()))

    def version(self, number: int) -> ShowVersion | None:
        return next(iter(self._found(1, tables.shows.c.version == number)), None)

    def _found(self, limit: int, *wanted: ColumnElement[bool]) -> list[ShowVersion]:
        table = tables.shows
        query = select(table.c.version, table.c.at_ms, table.c.by, table.c.text).where(*wanted)
        with self._reading.connect() as connection:
            found = connection.execute(query.order_by(table.c.version.desc()).limit(limit))
            return [ShowVersion(*row) for row in found]
