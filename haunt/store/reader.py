"""Short reads for pages, the API and restarts. Never writes, never holds a transaction open."""

import json
from collections.abc import Iterator
from typing import Any, Final, NamedTuple, Unpack

from sqlalchemy import Engine, Table, func, select, union_all
from sqlalchemy.exc import DatabaseError

from haunt.store import alerts, lists, longrows, tables
from haunt.store.breaks import Break, breaks_between
from haunt.store.lists import Asked, Page
from haunt.store.refusal import StoreRefused

CHUNK: Final = 1000


class Stamp(NamedTuple):
    number: int
    mono_ms: int
    wall_ms: int


class Snapshot(NamedTuple):
    number: int
    show_version: int
    memory: dict[str, Any]


class Reader:
    """Satisfies `site.ports.NightReader`; thread-safe."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    # --- lists for pages and the API

    def decisions(self, **asked: Unpack[Asked]) -> Page:
        return self._page(tables.decisions, asked)

    def motions(self, **asked: Unpack[Asked]) -> Page:
        return self._page(tables.motions, asked)

    def cues(self, **asked: Unpack[Asked]) -> Page:
        return self._page(tables.cues, asked)

    def reports(self, **asked: Unpack[Asked]) -> Page:
        return self._page(tables.reports, asked)

    def health(self, **asked: Unpack[Asked]) -> Page:
        return self._page(tables.health, asked)

    def alerts(self, **asked: Unpack[Asked]) -> Page:
        return alerts.page_of(self._engine, asked)

    def actions(self, **asked: Unpack[Asked]) -> Page:
        return self._page(tables.actions, asked)

    def decision_lines(self, **asked: Unpack[Asked]) -> Iterator[str]:
        """Yield all there are now that match as CSV without its head, a chunk at a time."""
        return longrows.decision_lines(self._engine, asked)

    def breaks(
        self,
        first: int | None,
        before: int | None,
        since_ms: int | None = None,
        until_ms: int | None = None,
    ) -> list[Break]:
        """Return where the log is broken between two decisions, newest first; None: no bound."""
        return breaks_between(
            self._engine,
            first,
            before,
            since_ms if since_ms is not None else 0,
            until_ms if until_ms is not None else lists.INTEGER_MAX,
        )

    def _page(self, table: Table, asked: Asked) -> Page:
        shape = lists.SHAPES.get(table.name, lists.plain)
        return lists.page_of(self._engine, table, shape, asked)

    def look_into_all(self) -> None:
        """Touch the newest row of every table."""
        with self._engine.connect() as connection:
            for table in tables.metadata.sorted_tables:
                [key] = table.primary_key.columns
                connection.execute(select(table).order_by(key.desc()).limit(1)).first()

    # --- counts

    def counted(self) -> dict[tuple[str, str], int]:
        """Return how many motions the journal has, by board and boot."""
        table = tables.motions
        query = select(table.c.board, table.c.boot, func.count()).group_by(
            table.c.board, table.c.boot
        )
        with self._engine.connect() as connection:
            return {(row[0], row[1]): row[2] for row in connection.execute(query)}

    # --- what is kept by name

    def show(self, version: int | None = None) -> tuple[int, str] | None:
        """Return (version, text) of a show file; the newest where none is named."""
        query = select(tables.shows.c.version, tables.shows.c.text)
        if version is not None:
            query = query.where(tables.shows.c.version == version)
        query = query.order_by(tables.shows.c.version.desc()).limit(1)
        with self._engine.connect() as connection:
            row = connection.execute(query).first()
        return (row[0], row[1]) if row is not None else None

    def setting(self, key: str) -> str | None:
        table = tables.settings
        with self._engine.connect() as connection:
            found: str | None = connection.execute(
                select(table.c.value).where(table.c.key == key)
            ).scalar()
        return found

    # --- restarts and replays

    def last_stamp(self) -> Stamp | None:
        """Return the newest instant the journal knows; no number above it was ever written."""
        newest = (
            select(table.c.number, table.c.mono_ms, table.c.wall_ms)
            .order_by(table.c.number.desc())
            .limit(1)
            .subquery()
            for table in (tables.journal_end, tables.events, tables.snapshots)
        )
        with self._engine.connect() as connection:
            found = connection.execute(union_all(*(select(each) for each in newest)))
            return max((Stamp(*row) for row in found), default=None)

    def last_number(self) -> int:
        last = self.last_stamp()
        return last.number if last is not None else 0

    def latest_snapshot(self) -> Snapshot | None:
        table = tables.snapshots
        query = select(table.c.number, table.c.show_version, table.c.body)
        with self._engine.connect() as connection:
            row = connection.execute(query.order_by(table.c.number.desc()).limit(1)).first()
        return Snapshot(row[0], row[1], json.loads(row[2])) if row is not None else None

    def events_after(self, number: int) -> Iterator[tuple[int, int, int, str, str]]:
        """Yield (number, mono_ms, wall_ms, kind, body) in order, a chunk in memory at a time."""
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


def refuse_unreadable(reader: Reader) -> None:
    """Look into every table once at the start. Raises StoreRefused where one cannot be read."""
    try:
        reader.look_into_all()
    except DatabaseError as fault:
        raise StoreRefused(f"the database cannot be read: {fault.orig}") from fault
