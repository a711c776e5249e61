"""One batch of records, one transaction: the statements, compiled once, on one kept connection.

It belongs to the journal's thread. What it raises has left nothing behind, with one exception
that it settles itself: a commit whose answer was lost.
"""

from typing import Final, NamedTuple, cast

from sqlalchemy import Connection, Dialect, Engine, Insert, Table, delete, insert, select
from sqlalchemy.dialects import sqlite
from sqlalchemy.dialects.postgresql.base import PGDialect

from haunt.live.ports import Record
from haunt.store import tables
from haunt.store.refusal import StoreRefused
from haunt.store.rows import ORDER, rows_of
from haunt.store.writing import insert_or

SNAPSHOTS_KEPT: Final = 3
DIALECTS: Final[dict[str, Dialect]] = {
    "sqlite": sqlite.dialect(paramstyle="qmark"),
    "postgresql": PGDialect(paramstyle="format"),  # type: ignore[no-untyped-call]
}
# A motion redelivered after a restart, or a number used before, is kept as it first was.
ONCE: Final = frozenset({"motions", "events", "snapshots"})


class End(NamedTuple):
    """The last record of a batch."""

    number: int
    mono_ms: int
    wall_ms: int


class Ledger:
    def __init__(self, engine: Engine, fence: str = "") -> None:
        """With a fence, nothing is written once another server has taken over (`ownership.py`)."""
        self._engine, dialect = engine, engine.dialect.name
        self._fence = fence
        self._connection: Connection | None = None
        self._inserts = [
            (table.name, text_of(insert_into(table, dialect), dialect)) for table in ORDER
        ]
        self._move_end = text_of(move_end(dialect), dialect)
        self._doubtful: End | None = None

    def write(self, records: list[Record]) -> None:
        """All of them, or none and whatever the database raised."""
        try:
            self._write(self._connection or self._connect(), records)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.invalidate()
            connection.close()

    def _connect(self) -> Connection:
        self._connection = self._engine.connect()
        return self._connection

    def _write(self, connection: Connection, records: list[Record]) -> None:
        transaction = connection.begin()
        if self._fence:
            self._refuse_fenced(connection)
        records = records[self._kept_after_all(connection, records) :]
        if records:
            rows = rows_of(records)
            for name, statement in self._inserts:
                if rows[name]:
                    connection.exec_driver_sql(statement, rows[name])
            if rows["snapshots"]:
                connection.execute(PRUNE)
            last = records[-1]
            end = End(last.number, last.mono_ms, last.wall_ms)
            connection.exec_driver_sql(self._move_end, (1, *end))
            self._doubtful = end
        transaction.commit()
        self._doubtful = None

    def _refuse_fenced(self, connection: Connection) -> None:
        """Whoever takes over changes the row: that waits for this transaction, or is seen by it."""
        if connection.execute(FENCE).scalar() != self._fence:
            raise StoreRefused("another server runs the show now")

    def _kept_after_all(self, connection: Connection, records: list[Record]) -> int:
        """Return how many of these a commit kept whose answer never came."""
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is None:
            return 0
        table = tables.journal_end
        found = connection.execute(select(table.c.number, table.c.mono_ms, table.c.wall_ms)).first()
        if found is None or End(*found) != doubtful:
            return 0
        return sum(record.number <= doubtful.number for record in records)


FENCE: Final = (
    select(tables.settings.c.value)
    .where(tables.settings.c.key == "fence")
    .with_for_update(read=True)
)
PRUNE: Final = delete(tables.snapshots).where(
    tables.snapshots.c.number.not_in(
        select(tables.snapshots.c.number)
        .order_by(tables.snapshots.c.number.desc())
        .limit(SNAPSHOTS_KEPT)
    )
)


def insert_into(table: Table, dialect: str) -> Insert:
    if table.name in ONCE:
        return insert_or(table, dialect).on_conflict_do_nothing()
    return insert(table)


def move_end(dialect: str) -> Insert:
    """The one row of `journal_end`, there or not."""
    wanted = insert_or(tables.journal_end, dialect)
    fresh = {name: wanted.excluded[name] for name in End._fields}
    return wanted.on_conflict_do_update(index_elements=["id"], set_=fresh)


def text_of(statement: Insert, dialect: str) -> str:
    """Return the SQL that takes a row of `rows.py`: every column but a counted id, in order."""
    table = cast("Table", statement.table)
    counted = table.autoincrement_column
    names = [column.name for column in table.columns if column is not counted]
    positional = DIALECTS[dialect]
    compiled = statement.inline().compile(dialect=positional, column_keys=names)
    return str(compiled)
