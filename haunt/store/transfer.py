"""Copies a whole database into another one, of either kind: all of it or nothing.

It never changes what it copies from, and takes no database that holds anything already.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NamedTuple

from sqlalchemy import (
    Connection,
    Engine,
    MetaData,
    Table,
    func,
    insert,
    inspect,
    select,
    text,
)
from sqlalchemy.exc import DatabaseError

from haunt.store.backup import Backup, BackupRefused, Why, put_in_place
from haunt.store.engines import open_engines
from haunt.store.instants import stamp
from haunt.store.postgres import without_hurry
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, bring_to, revision_in
from haunt.store.sqlitefile import DATABASE

CHUNK: Final = 2000
VERSIONS: Final = "alembic_version"

Told = Callable[[str, int], None]


class Counted(NamedTuple):
    """One table: how many rows there were, and how many there are now on the other side."""

    table: str
    there: int
    here: int


def move(source: Engine, target: Engine, told: Told = lambda _table, _rows: None) -> list[Counted]:
    """Copy every row in one transaction at each side. Raises StoreRefused, and left nothing then.

    `told` hears of every table when it is done.
    """
    try:
        with reading_all(source) as reading:
            found = revision_in(reading)
            if found != HEAD:
                raise StoreRefused(f"the database to move is of version {found}, not {HEAD}")
            with target.begin() as writing:
                _refuse_filled(writing)
                return _copied(reading, writing, HEAD, told)
    except DatabaseError as fault:
        raise StoreRefused(f"nothing was moved: {fault.orig}") from fault


def export(source: Engine, folder: Path, at_ms: int, why: Why) -> Backup:
    """Copy a database that is no file into one, of the very schema it has. Raises BackupRefused."""
    name = f"{stamp(at_ms)}-{why}"
    final, fresh = folder / name, folder / f"{name}.new"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        fresh.mkdir(mode=0o700)
        revision, counted = _export_to(source, fresh)
        rows = {each.table: each.here for each in counted} | {VERSIONS: 1}
        return put_in_place(fresh, final, at_ms, why, revision, rows)
    except (OSError, DatabaseError, StoreRefused) as fault:
        shutil.rmtree(fresh, ignore_errors=True)
        raise BackupRefused(f"no copy of the database could be made: {fault}") from fault


def _export_to(source: Engine, fresh: Path) -> tuple[str, list[Counted]]:
    writer, reader = open_engines(fresh, f"sqlite:///{fresh / DATABASE}")
    reader.dispose()
    with reading_all(source) as reading:
        revision = revision_in(reading)
        if revision is None:
            raise StoreRefused("it holds nothing of haunt")
        with writer.begin() as writing:
            counted = _copied(reading, writing, revision)
    with writer.connect() as settled:
        settled.connection.execute("PRAGMA journal_mode=DELETE")  # one file, whole in itself
    writer.dispose()
    (fresh / DATABASE).chmod(0o600)
    return revision, counted


@contextmanager
def reading_all(source: Engine) -> Iterator[Connection]:
    """Read as of one instant, however long it takes."""
    if source.dialect.name == "sqlite":
        with source.connect() as connection:  # its transaction keeps every writer out
            yield connection
        return
    engine = source.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
    with engine.connect() as connection:
        without_hurry(connection)
        yield connection


def _refuse_filled(writing: Connection) -> None:
    names = set(inspect(writing).get_table_names()) - {VERSIONS}
    if revision_in(writing) not in {None, HEAD}:
        raise StoreRefused("the database to move to is of another version; name an empty one")
    quoted = writing.dialect.identifier_preparer.quote
    for name in sorted(names):
        if writing.execute(text(f"SELECT 1 FROM {quoted(name)} LIMIT 1")).first():  # noqa: S608
            raise StoreRefused(
                f"the database to move to holds something already (table {name}); "
                "name an empty one: nothing was moved"
            )


def _copied(
    reading: Connection,
    writing: Connection,
    revision: str,
    told: Told = lambda _table, _rows: None,
) -> list[Counted]:
    without_hurry(writing)
    if revision_in(writing) is None:
        bring_to(writing, revision)
    found = MetaData()
    found.reflect(bind=writing)
    counted = []
    for table in sorted(found.tables.values(), key=lambda each: each.name):
        if table.name == VERSIONS:
            continue
        _copy_table(reading, writing, table)
        counted.append(_counted(reading, writing, table))
        told(table.name, counted[-1].here)
    wrong = [each.table for each in counted if each.there != each.here]
    if wrong:
        raise StoreRefused(f"the copy has other counts of rows than it should: {', '.join(wrong)}")
    return counted


def _copy_table(reading: Connection, writing: Connection, table: Table) -> None:
    """In the order of keys; the names of columns are those of the scripts at both sides."""
    columns = [table.c[name] for name in table.c.keys()]  # noqa: SIM118 - a collection of its own
    [key] = table.primary_key.columns
    query = select(*columns).order_by(key)
    rows = reading.execution_options(yield_per=CHUNK).execute(query).mappings()
    for chunk in rows.partitions(CHUNK):
        writing.execute(insert(table), [dict(row) for row in chunk])
    if writing.dialect.name == "postgresql" and table.autoincrement_column is not None:
        _go_on_counting(writing, table)


def _go_on_counting(writing: Connection, table: Table) -> None:
    """The next id comes after the highest that was brought along."""
    counted = table.autoincrement_column
    assert counted is not None, "looked at before"
    sequence = writing.execute(
        select(func.pg_get_serial_sequence(table.name, counted.name))
    ).scalar()
    if sequence is not None:
        highest = writing.execute(select(func.max(counted))).scalar()
        if highest is not None:
            writing.execute(select(func.setval(sequence, highest)))


def _counted(reading: Connection, writing: Connection, table: Table) -> Counted:
    there, here = (
        int(each.execute(select(func.count()).select_from(table)).scalar_one())
        for each in (reading, writing)
    )
    return Counted(table.name, there, here)
