"""A database whose driver fails when told to: at one call, or at every call while it is broken."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from haunt.core.events import Motion
from haunt.live.ports import ActionRow, AlertRow, HealthRow, Record, ReportRow
from tests.core.stage import BOOT, EVENING
from tests.store.stage import decision


class Driver:
    """Counts calls of the driver. `fails_at` names one by number; `after` lets it work first."""

    def __init__(self) -> None:
        self.calls = 0
        self.fails_at: int | None = None
        self.after = False
        self.broken = False
        self.failures = 0
        self.told: Callable[[], None] = lambda: None

    def run(self, call: Callable[[], Any]) -> Any:
        self.calls += 1
        fails = self.broken or self.calls == self.fails_at
        found = call() if not fails or self.after else None
        if fails:
            self.failures += 1
            self.told()
            raise sqlite3.OperationalError("disk I/O error")
        return found


@contextmanager
def flaky(path: Path, driver: Driver) -> Iterator[Engine]:
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

    yield engine
    engine.dispose()


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
