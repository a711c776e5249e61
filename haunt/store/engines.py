"""Databases opened: SQLite with one writer and read-only readers, or PostgreSQL by its URL."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from sqlalchemy import URL, Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import NullPool, QueuePool

from haunt.store.postgres import open_postgresql
from haunt.store.refusal import StoreRefused
from haunt.store.sqlitefile import BUSY_S, DATABASE, connect

__all__ = [
    "Engine",
    "database_file",
    "log_bytes_of",
    "open_engines",
    "opened",
    "parsed",
    "same_place",
]

LOG_BYTES_KEPT: Final = 8 * 1024 * 1024
"""SQLite's log shrinks to so much when it begins anew after a long reader."""
PORT: Final = 5432
READERS_MAX: Final = 16
ALLOWED: Final = "allowed: sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME"


def open_engines(data: Path, url: str = "") -> tuple[Engine, Engine]:
    """Return (writer, reader); SQLite in the data folder where no URL is given.

    Nothing is connected yet. Raises StoreRefused.
    """
    wanted = parsed(url) if url else URL.create("sqlite", database=str(data / DATABASE))
    if not url:
        try:
            data.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise StoreRefused(f"the folder {data} cannot be made: {fault.strerror}") from fault
    if wanted.get_backend_name() == "sqlite":
        return _sqlite(wanted)
    return open_postgresql(wanted)


@contextmanager
def opened(data: Path, url: str = "") -> Iterator[tuple[Engine, Engine]]:
    """As `open_engines`, for a while: both are closed whatever happens. Raises StoreRefused."""
    engines = open_engines(data, url)
    try:
        yield engines
    finally:
        for each in engines:
            each.dispose()


def database_file(data: Path, url: str = "") -> Path | None:
    """Return where SQLite keeps it; None for a database that is no file. Raises StoreRefused."""
    if not url:
        return data / DATABASE
    wanted = parsed(url)
    is_file = wanted.get_backend_name() == "sqlite"
    return Path(str(wanted.database)).absolute() if is_file else None


def same_place(data: Path, one: str, other: str) -> bool:
    """Whether two settings name the same database. Raises StoreRefused."""
    first, second = (
        parsed(each) if each else URL.create("sqlite", database=str(data / DATABASE))
        for each in (one, other)
    )
    if first.get_backend_name() == second.get_backend_name() == "sqlite":
        return Path(str(first.database)).resolve() == Path(str(second.database)).resolve()
    return (first.host, first.port or PORT, first.database) == (
        second.host,
        second.port or PORT,
        second.database,
    )


def parsed(text: str) -> URL:
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as fault:
        # The text may hold a password, so it is not repeated.
        raise StoreRefused(f"the database URL is none; {ALLOWED}") from fault
    in_memory = url.database in {None, "", ":memory:"} or str(url.database).startswith("file:")
    if url.drivername in {"sqlite", "sqlite+pysqlite"} and not in_memory and not url.query:
        return url
    if url.drivername in {"postgresql", "postgresql+psycopg"}:
        return url.set(drivername="postgresql+psycopg")
    raise StoreRefused(f"database {url.render_as_string(hide_password=True)}; {ALLOWED}")


def _sqlite(url: URL) -> tuple[Engine, Engine]:
    path = Path(str(url.database)).absolute()
    writer = create_engine(url, creator=lambda: _open_to_write(path), poolclass=NullPool)
    event.listen(writer, "begin", _begin_immediate)
    reader = create_engine(
        url,
        creator=lambda: _open_to_read(path),
        poolclass=QueuePool,
        pool_size=4,
        max_overflow=READERS_MAX - 4,
        pool_timeout=BUSY_S,
    )
    return writer, reader


def log_bytes_of(engine: Engine) -> Callable[[], int]:
    """Return what tells how long SQLite's log is now; always 0 for a database that is no file."""
    if engine.dialect.name != "sqlite":
        return lambda: 0
    log = Path(f"{engine.url.database}-wal")
    return lambda: _size_of(log)


def _size_of(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _begin_immediate(connection: Connection) -> None:
    """A read that turns into a write fails at once when somebody wrote in between."""
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _open_to_write(path: Path) -> sqlite3.Connection:
    connection = connect(path, "rwc", own_thread=False)
    try:
        _prepare_to_write(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _prepare_to_write(connection: sqlite3.Connection, path: Path) -> None:
    [mode] = connection.execute("PRAGMA journal_mode=WAL").fetchone()
    if mode != "wal":
        raise StoreRefused(
            f"{path} is on a file system that cannot keep it safe (a network drive?): "
            "choose a folder on a disk of this machine"
        )
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute(f"PRAGMA journal_size_limit={LOG_BYTES_KEPT}")


def _open_to_read(path: Path) -> sqlite3.Connection:
    connection = connect(path, "ro", own_thread=False)
    connection.execute("PRAGMA query_only=ON")
    return connection
