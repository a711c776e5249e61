"""Short reads for pages, the API and restarts. Never writes, never holds a transaction open."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Engine, Table, func, insert, select
from sqlalchemy.exc import DatabaseError

from haunt.store import tables
from haunt.store.engines import StoreRefused

LIMIT_MAX = 1000
CHUNK = 2000

Item = dict[str, Any]


class Page(NamedTuple):
    """Items with ids counting up; `next` is the cursor for `after`, None at the end."""

    items: list[Item]
    next: int | None


class Stamp(NamedTuple):
    number: int
    mono_ms: int
    wall_ms: int


class Snapshot(NamedTuple):
    number: int
    show_version: int
    memory: dict[str, Any]


class Reader:
    """`newest first` is asked for by `before` without `after`; items still count up."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    # --- lists for pages and the API

    def decisions(self, **asked: Any) -> Page:
        """Filters: prop, outcome, reason, since_ms, until_ms, after, before, limit."""
        return self._page(tables.decisions, _decision, asked)

    def motions(self, **asked: Any) -> Page:
        return self._page(tables.motions, _plain, asked)

    def reports(self, **asked: Any) -> Page:
        return self._page(tables.reports, _plain, asked)

    def health(self, **asked: Any) -> Page:
        return self._page(tables.health, _health, asked)

    def alerts(self, **asked: Any) -> Page:
        return self._page(tables.alerts, _plain, asked)

    def actions(self, **asked: Any) -> Page:
        return self._page(tables.actions, _plain, asked)

    def stream_decisions(self, **asked: Any) -> Iterator[Item]:
        """Yield all that match, oldest first, a chunk of rows in memory at a time."""
        after = int(asked.pop("after", None) or 0)
        for name in ("limit", "newest"):
            asked.pop(name, None)
        while True:
            page = self.decisions(**asked, after=after, limit=CHUNK)
            yield from page.items
            if page.next is None:
                return
            after = page.next

    def _page(self, table: Table, shape: Any, asked: dict[str, Any]) -> Page:
        limit = min(int(asked.get("limit") or 100), CHUNK)
        after, before = asked.get("after"), asked.get("before")
        backwards = asked.get("newest", False) or (before is not None and after is None)
        query = select(table).where(*_filters(table, asked))
        if after is not None:
            query = query.where(table.c.id > after)
        if before is not None:
            query = query.where(table.c.id < before)
        order = table.c.id.desc() if backwards else table.c.id
        with self._engine.connect() as connection:
            rows = connection.execute(query.order_by(order).limit(limit + 1)).mappings().all()
        more, rows = len(rows) > limit, rows[:limit]
        if backwards:
            rows = rows[::-1]
        items = [shape(row) for row in rows]
        cursor = (items[0]["id"] if backwards else items[-1]["id"]) if more else None
        return Page(items, cursor)

    # --- shows

    def show(self, version: int | None = None) -> tuple[int, str] | None:
        """Return (version, text) of a show file; the newest where none is named."""
        query = select(tables.shows.c.version, tables.shows.c.text)
        if version is not None:
            query = query.where(tables.shows.c.version == version)
        with self._engine.connect() as connection:
            row = connection.execute(query.order_by(tables.shows.c.version.desc())).first()
        return (row[0], row[1]) if row is not None else None

    # --- restarts and replays

    def last_stamp(self) -> Stamp | None:
        """Return the newest instant the journal knows."""
        found = []
        with self._engine.connect() as connection:
            for table in (tables.events, tables.snapshots):
                row = connection.execute(
                    select(table.c.number, table.c.mono_ms, table.c.wall_ms)
                    .order_by(table.c.number.desc())
                    .limit(1)
                ).first()
                if row is not None:
                    found.append(Stamp(*row))
        return max(found, default=None)

    def latest_snapshot(self) -> Snapshot | None:
        table = tables.snapshots
        query = select(table.c.number, table.c.show_version, table.c.body)
        with self._engine.connect() as connection:
            row = connection.execute(query.order_by(table.c.number.desc()).limit(1)).first()
        return Snapshot(row[0], row[1], json.loads(row[2])) if row is not None else None

    def events_after(self, number: int) -> Iterator[tuple[int, int, int, str, str]]:
        """Yield (number, mono_ms, wall_ms, kind, body) in order."""
        table = tables.events
        while True:
            query = select(table).where(table.c.number > number).order_by(table.c.number)
            with self._engine.connect() as connection:
                rows = connection.execute(query.limit(CHUNK)).all()
            for row in rows:
                yield row[0], row[1], row[2], row[3], row[4]
            if len(rows) < CHUNK:
                return
            number = rows[-1][0]

    def counted(self) -> dict[tuple[str, str], int]:
        """Return how many motions the journal has, by board and boot."""
        table = tables.motions
        query = select(table.c.board, table.c.boot, func.count()).group_by(
            table.c.board, table.c.boot
        )
        with self._engine.connect() as connection:
            return {(row[0], row[1]): row[2] for row in connection.execute(query)}

    def setting(self, key: str) -> str | None:
        table = tables.settings
        with self._engine.connect() as connection:
            found: str | None = connection.execute(
                select(table.c.value).where(table.c.key == key)
            ).scalar()
        return found


class Writer:
    """The few writes that are not the night's journal, each a short transaction of its own."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def save_show(self, text: str, by: str, at_ms: int) -> int:
        """Keep a show file as the newest version; return its number."""
        with self._engine.begin() as connection:
            done = connection.execute(insert(tables.shows).values(text=text, by=by, at_ms=at_ms))
            key = done.inserted_primary_key
            if key is None:
                raise StoreRefused("the database gave no number to a show")
            return int(key[0])

    def save_setting(self, key: str, value: str) -> None:
        table = tables.settings
        with self._engine.begin() as connection:
            connection.execute(table.delete().where(table.c.key == key))
            connection.execute(insert(table).values(key=key, value=value))


def refuse_unreadable(reader: Reader) -> None:
    """Read once at the start. Raises StoreRefused where the file is no database of ours."""
    try:
        reader.last_stamp()
    except DatabaseError as fault:
        raise StoreRefused(f"the database cannot be read: {fault.orig}") from fault


def _filters(table: Table, asked: dict[str, Any]) -> list[ColumnElement[bool]]:
    found = [
        table.c[name] == asked[name]
        for name in ("prop", "outcome", "reason", "sensor", "board")
        if asked.get(name) is not None and name in table.c
    ]
    if asked.get("since_ms") is not None:
        found.append(table.c.at_ms >= asked["since_ms"])
    if asked.get("until_ms") is not None:
        found.append(table.c.at_ms < asked["until_ms"])
    return found


def rfc3339(at_ms: int) -> str:
    """UTC with milliseconds."""
    whole = datetime.fromtimestamp(at_ms // 1000, UTC)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def _decision(row: Any) -> Item:
    motion = None
    if row["board"] is not None:
        motion = f"{row['board']}-{row['boot']}-{row['seq']}"
    return {
        "id": row["id"],
        "at": rfc3339(row["at_ms"]),
        "source": row["source"],
        "motion": motion,
        "sensor": row["sensor"],
        "prop": row["prop"],
        "outcome": row["outcome"],
        "reason": row["reason"],
        "behaviour": row["behaviour"],
        "cue": row["cue"],
        "waited_ms": row["waited_ms"],
        "margin": row["margin"],
    }


def _plain(row: Any) -> Item:
    found = {"id": row["id"], "at": rfc3339(row["at_ms"])}
    found.update({k: v for k, v in row.items() if k not in ("id", "at_ms", "number")})
    return found


def _health(row: Any) -> Item:
    found = _plain(row)
    found["starts"], found["motions"] = json.loads(row["starts"]), json.loads(row["motions"])
    return found
