"""How a person's doing is written: one short transaction, refused in words; a row there or not."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DatabaseError

from haunt.store import tables
from haunt.store.refusal import StoreRefused


@contextmanager
def transaction(engine: Engine, refused: str) -> Iterator[Connection]:
    """All of the block or nothing. Raises StoreRefused, which begins with `refused`."""
    try:
        with engine.begin() as connection:
            yield connection
    except DatabaseError as fault:
        raise StoreRefused(f"{refused}: {fault.orig}") from fault


def insert_or(table: Table, dialect: str) -> sqlite.Insert | postgresql.Insert:
    """Return an insert that can say what to do where the row is there: each database's own."""
    return sqlite.insert(table) if dialect == "sqlite" else postgresql.insert(table)


def keep_setting(connection: Connection, key: str, value: str) -> None:
    """Write a row of the settings, there or not, in the caller's transaction."""
    wanted = insert_or(tables.settings, connection.dialect.name).values(key=key, value=value)
    connection.execute(wanted.on_conflict_do_update(index_elements=["key"], set_={"value": value}))
