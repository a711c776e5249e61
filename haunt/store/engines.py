"""Databases opened: SQLite with one writer and read-only readers, or PostgreSQL by its URL."""

from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError
from sqlalchemy.pool import NullPool, QueuePool

__all__ = ["Engine", "StoreRefused", "open_engines"]

BUSY_MS = 5000
WAL_BYTES_MAX = 64 * 1024 * 1024


class StoreRefused(Exception):  # noqa: N818 - the word says what happened
    """The database cannot be used: what is wrong, and what to do."""


def open_engines(data: Path, url: str = "") -> tuple[Engine, Engine]:
    """Return (writer, reader). Raises StoreRefused."""
    if not url:
        data.mkdir(parents=True, exist_ok=True)
        url = f"sqlite:///{data / 'haunt.db'}"
    try:
        backend = make_url(url).get_backend_name()
        if backend == "sqlite":
            return _sqlite(url, writes=True), _sqlite(url, writes=False)
        if backend == "postgresql":
            engine = create_engine(url, pool_size=4, pool_pre_ping=True)
            return engine, engine
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as fault:
        raise StoreRefused(f"database {url!r}: {fault}") from fault
    raise StoreRefused(
        f"database {url!r}; allowed: sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME"
    )


def _sqlite(url: str, *, writes: bool) -> Engine:
    engine = create_engine(
        url,
        connect_args={"timeout": BUSY_MS / 1000, "check_same_thread": False},
        poolclass=NullPool if writes else QueuePool,
    )

    @event.listens_for(engine, "connect")
    def _connect(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # we begin transactions ourselves
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute("PRAGMA synchronous=FULL")
        cursor.execute(f"PRAGMA journal_size_limit={WAL_BYTES_MAX}")
        if not writes:
            cursor.execute("PRAGMA query_only=ON")
        cursor.close()

    if writes:

        @event.listens_for(engine, "begin")
        def _begin(connection: Any) -> None:
            # A read that turns into a write fails at once when somebody wrote in between.
            connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine
