"""Databases as earlier programs left them: the scripts up to a number, and rows in every table.

What the scripts made when they were new is kept beside this file, a file a kind of database, each
number as what it added and took away. `python -m tests.store.earlier` writes it anew, for a new
number; a change of an older one is a change of databases that are out there.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import (
    Column,
    Connection,
    Engine,
    MetaData,
    Table,
    insert,
    inspect,
    select,
    text,
)
from sqlalchemy.engine.interfaces import ReflectedIndex
from sqlalchemy.types import Boolean, Integer, String

from haunt.store.engines import open_engines
from haunt.store.revision import SCRIPTS, bring_to
from tests.store.stage import KINDS, bare_url_of

ROWS = 5
LATER = 1000
"""Added to what is written after the upgrade, by whoever does not know of it."""
KEPT = Path(__file__).parent
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
            fill(connection, tables_of(connection.engine, connection))
        yield writing, reading
    finally:
        writing.dispose()
        reading.dispose()


def fill(connection: Connection, tables: dict[str, Table], after: int = 0) -> None:
    """Write rows by the names of these columns, whatever else the tables have meanwhile."""
    for table in tables.values():
        rows = [{c.name: _value(c, after + n) for c in table.c} for n in range(1, ROWS + 1)]
        connection.execute(insert(table), rows)


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


def shape_of(connection: Connection) -> list[str]:
    """Say a line a column, key, index and trigger."""
    known, lines = inspect(connection), []
    for table in sorted(set(known.get_table_names()) - {VERSIONS}):
        for each in known.get_columns(table):
            needed = "" if each["nullable"] else " not null"
            given = f" default {each['default']}" if each["default"] is not None else ""
            lines.append(f"{table}.{each['name']} {each['type']!s}{needed}{given}")
        lines.append(f"{table} key {_names(known.get_pk_constraint(table)['constrained_columns'])}")
        uniques = known.get_unique_constraints(table)
        lines += [f"{table} unique {_names(each['column_names'])}" for each in uniques]
        lines += [f"{table} {_index(each)}" for each in known.get_indexes(table)]
    return sorted([*lines, *_triggers(connection)])


def _index(each: ReflectedIndex) -> str:
    options = each.get("dialect_options", {}).items()
    where = "".join(f" where {value}" for key, value in options if key.endswith("_where"))
    kind = "unique index" if each["unique"] else "index"
    return f"{kind} {each['name']} {_names(each['column_names'])}{where}"


def _triggers(connection: Connection) -> list[str]:
    asked = "SELECT sql FROM sqlite_master WHERE type = 'trigger'"
    if connection.dialect.name == "postgresql":
        asked = "SELECT pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal"
    return [" ".join(str(row[0]).split()) for row in connection.execute(text(asked))]


def _names(columns: Sequence[str | None]) -> str:
    return f"({', '.join(str(each) for each in columns)})"


def kept_shape(kind: str, revision: str) -> list[str]:
    """Return what was kept of a number: all that was added up to it and not taken away."""
    found: set[str] = set()
    for line in _kept(kind).read_text().splitlines():
        if line.startswith("== ") and line[3:] > revision:
            break
        if line.startswith("+ "):
            found.add(line[2:])
        elif line.startswith("- "):
            found.remove(line[2:])
    return sorted(found)


def _kept(kind: str) -> Path:
    return KEPT / f"shapes.{kind}.txt"


def write_shapes(kind: str, data: Path) -> None:
    lines, before = [], set[str]()
    for number in numbers():
        (data / number).mkdir()
        with (
            of_revision(data / number, bare_url_of(kind), number) as (writing, _reading),
            writing.connect() as connection,
        ):
            now = set(shape_of(connection))
        lines.append(f"== {number}")
        lines += [f"- {each}" for each in sorted(before - now)]
        lines += [f"+ {each}" for each in sorted(now - before)]
        before = now
    _kept(kind).write_text("\n".join(lines) + "\n")


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


if __name__ == "__main__":
    for each in KINDS:
        with TemporaryDirectory() as made:
            write_shapes(each, Path(made))
