"""Databases as earlier programs left them: the scripts up to a number, and rows in every table."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Column, Engine, MetaData, Table, insert, select
from sqlalchemy.types import Boolean, Integer, String

from haunt.store.engines import open_engines
from haunt.store.schema import SCRIPTS, bring_to

ROWS = 5
VERSIONS = "alembic_version"


def numbers() -> list[str]:
    """All revisions, oldest first."""
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS))
    return [each.revision for each in ScriptDirectory.from_config(config).walk_revisions()][::-1]


@contextmanager
def of_revision(data: Path, url: str, revision: str) -> Iterator[tuple[Engine, Engine]]:
    """Yield (writer, reader) of a database of that revision with rows in every table."""
    writing, reading = open_engines(data, url)
    try:
        with writing.begin() as connection:
            bring_to(connection, revision)
            for table in tables_of(connection.engine, connection).values():
                rows = [{c.name: _value(c, n) for c in table.c} for n in range(1, ROWS + 1)]
                connection.execute(insert(table), rows)
        yield writing, reading
    finally:
        writing.dispose()
        reading.dispose()


def tables_of(engine: Engine, connection: Any = None) -> dict[str, Table]:
    found = MetaData()
    found.reflect(bind=connection if connection is not None else engine)
    return {name: table for name, table in found.tables.items() if name != VERSIONS}


def rows_of(engine: Engine) -> dict[str, list[dict[str, Any]]]:
    """Everything that is in it, by table, in the order of keys."""
    tables = tables_of(engine)
    with engine.connect() as connection:
        return {
            name: [
                dict(row)
                for row in connection.execute(
                    select(table).order_by(*table.primary_key.columns)
                ).mappings()
            ]
            for name, table in tables.items()
        }


def _value(column: Column[Any], number: int) -> object:
    """Something of its type that differs from row to row, as long as it may be."""
    if isinstance(column.type, Boolean):
        return number % 2 == 0
    if isinstance(column.type, Integer):
        return number
    if column.name == "state":
        return "raised" if number % 2 else "cleared"
    length = column.type.length if isinstance(column.type, String) else None
    return f"{number}{column.name}{'ü' * 200}"[: length or 200]
