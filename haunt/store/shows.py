"""What the kept versions of the show file say of one setting over time."""

import tomllib
from typing import Final

from sqlalchemy import Engine, select

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


def _cooldown_ms(text: str, prop: str) -> int | None:
    for each in tomllib.loads(text).get("prop", ()):
        if each.get("id") == prop:
            return round(float(each.get("cooldown_s", 0)) * 1000)
    return None
