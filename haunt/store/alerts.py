"""Alerts as they stand: of each the newest row, listed by the number that it was opened with."""

import shutil
from pathlib import Path
from typing import Final

from sqlalchemy import Engine, RowMapping, Select, func, select

from haunt.live.ports import AlertRow
from haunt.store import tables
from haunt.store.instants import rfc3339, rfc3339_or_none
from haunt.store.lists import Asked, Item, Page, bounds, turned

MB: Final = 1_000_000
RECALLED_MAX: Final = 100


class AlertStore:
    """Satisfies `live.ports.AlertShelf`; thread-safe."""

    def __init__(self, engine: Engine, data: Path) -> None:
        self._engine, self._data = engine, data

    def open_alerts(self) -> list[AlertRow]:
        table = tables.alerts
        query = _newest().where(table.c.state != "cleared").order_by(table.c.alert.desc())
        with self._engine.connect() as connection:
            rows = connection.execute(query.limit(RECALLED_MAX)).mappings().all()
        return [_row(row) for row in reversed(rows)]

    def free_mb(self) -> int | None:
        try:
            return shutil.disk_usage(self._data).free // MB
        except OSError:  # the disk is gone: the journal says so itself
            return None


def page_of(engine: Engine, asked: Asked) -> Page:
    """Return a page of alerts; `since_ms` and `until_ms` are of when they were opened."""
    c = tables.alerts.c
    query = _newest().where(*bounds(c.since_ms, c.alert, asked))
    with engine.connect() as connection:
        return turned(connection, query, c.alert, _item, asked)


def _newest() -> Select[tuple[object, ...]]:
    """Select the row that says how an alert stands."""
    table = tables.alerts
    newest = select(func.max(table.c.id)).group_by(table.c.alert)
    return select(table).where(table.c.id.in_(newest))


def _item(row: RowMapping) -> Item:
    kind, _, subject = row["key"].partition(" ")
    return {
        "id": row["alert"],
        "at": rfc3339(row["since_ms"]),
        "key": row["key"],
        "kind": kind,
        "subject": subject,
        "severity": row["severity"],
        "state": row["state"],
        "text": row["text"],
        "todo": row["todo"],
        "count": row["count"],
        "last": rfc3339(row["last_ms"]),
        "acknowledged_by": row["seen_by"] or None,
        "acknowledged_at": rfc3339_or_none(row["seen_ms"]),
        "closed_at": rfc3339(row["at_ms"]) if row["state"] == "cleared" else None,
    }


def _row(row: RowMapping) -> AlertRow:
    return AlertRow(
        key=row["key"],
        state=row["state"],
        text=row["text"],
        alert=row["alert"],
        todo=row["todo"],
        severity=row["severity"],
        since_ms=row["since_ms"],
        last_ms=row["last_ms"],
        count=row["count"],
        seen_by=row["seen_by"],
        seen_ms=row["seen_ms"],
    )
