"""A database whose driver fails when told to: at one call, or at every call while it is broken."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from haunt.core.events import Motion
from haunt.live.ports import ActionRow, AlertRow, HealthRow, Record, ReportRow
from tests.core.stage import BOOT, EVENING
from tests.store.stage import Opened, decision

FAULTS: dict[str, type[Exception]] = {
    "sqlite": sqlite3.OperationalError,
    "postgresql": psycopg.OperationalError,
}


class Driver:
    """Counts calls of the driver. `fails_at` names one by number; `after` lets it work first."""

    def __init__(self) -> None:
        self.calls = 0
        self.fails_at: int | None = None
        self.after = False
        self.broken = False
        self.failures = 0
        self.fault: type[Exception] = sqlite3.OperationalError
        self.told: Callable[[], None] = lambda: None

    def run(self, call: Callable[[], Any]) -> Any:
        self.calls += 1
        fails = self.broken or self.calls == self.fails_at
        found = call() if not fails or self.after else None
        if fails:
            self.failures += 1
            self.told()
            raise self.fault("disk I/O error")
        return found


@contextmanager
def flaky(database: Opened, driver: Driver) -> Iterator[Engine]:
    """Its engine over the same database as a test has open."""
    driver.fault = FAULTS[database.writing.dialect.name]
    engine = _server(database, driver) if database.url else _file(database.path, driver)
    yield engine
    engine.dispose()


def _file(path: Path, driver: Driver) -> Engine:
    class FlakyCursor(sqlite3.Cursor):
        def execute(self, *args: Any) -> Any:
            return driver.run(lambda: super(FlakyCursor, self).execute(*args))

        def executemany(self, *args: Any) -> Any:
            return driver.run(lambda: super(FlakyCursor, self).executemany(*args))

    class FlakyConnection(sqlite3.Connection):
        def cursor(self, *_: Any) -> Any:
            return super().cursor(FlakyCursor)

        def commit(self) -> None:
            driver.run(super().commit)

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            path, isolation_level=None, check_same_thread=False, factory=FlakyConnection
        )

    engine = create_engine(f"sqlite:///{path}", creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def _server(database: Opened, driver: Driver) -> Engine:
    class FlakyCursor(psycopg.Cursor[Any]):
        def execute(self, *args: Any, **more: Any) -> Any:
            return driver.run(lambda: super(FlakyCursor, self).execute(*args, **more))

        def executemany(self, *args: Any, **more: Any) -> None:
            driver.run(lambda: super(FlakyCursor, self).executemany(*args, **more))

    class FlakyConnection(psycopg.Connection[Any]):
        def commit(self) -> None:
            driver.run(super().commit)

    at = database.writing.url

    def connect() -> FlakyConnection:
        return FlakyConnection.connect(
            host=at.host,
            port=at.port,
            user=at.username,
            dbname=at.database,
            cursor_factory=FlakyCursor,
        )

    return create_engine(at, creator=connect, poolclass=NullPool)


def whole(number: int) -> Record:
    """Return a record with a row for every table but one: it sends no cue."""
    return Record(
        number,
        number,
        EVENING + number,
        Motion(number, EVENING + number, "b1", "pir", BOOT, number),
        (decision(number), decision(number, prop="crypt")),
        health=HealthRow("b1", BOOT, number, None, None, None, "soft", {}, {}),
        report=ReportRow("b1", f"c-{number}", BOOT, "started", ""),
        action=ActionRow("mara", "hold", "gate"),
        alert=AlertRow(f"lost {number}", "raised", "Board b1 is lost"),
        snapshot={"number": number},
    )
