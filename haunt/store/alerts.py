"""Alerts as they stand: of each the newest row, listed by the number that it was opened with."""

import shutil
from pathlib import Path
from typing import Final

from sqlalchemy import ColumnElement, Engine, RowMapping, Select, func, select

from haunt.live.ports import AlertRow
from haunt.store import tables
from haunt.store.lists import INTEGER_MAX, LIMIT, LIMIT_MAX, Asked, Item, Page, rfc3339

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
    table = tables.alerts
    limit = max(1, min(asked.get("limit") or LIMIT, LIMIT_MAX))
    after, before = asked.get("after"), asked.get("before")
    backwards = asked.get("newest", False) or (before is not None and after is None)
    order = table.c.alert.desc() if backwards else table.c.alert
    query = _newest().where(*_chosen(asked)).order_by(order).limit(limit + 1)
    with engine.connect() as connection:
        rows = connection.execute(query).mappings().all()
    more, rows = len(rows) > limit, rows[:limit]
    items = [_item(row) for row in (reversed(rows) if backwards else rows)]
    return Page(items, items[0 if backwards else -1]["id"] if more else None)


def _newest() -> Select[tuple[object, ...]]:
    """Select the row that says how an alert stands."""
    table = tables.alerts
    newest = select(func.max(table.c.id)).group_by(table.c.alert)
    return select(table).where(table.c.id.in_(newest))


def _chosen(asked: Asked) -> list[ColumnElement[bool]]:
    table = tables.alerts
    found: list[ColumnElement[bool]] = []
    if (since_ms := asked.get("since_ms")) is not None:
        found.append(table.c.since_ms >= _bounded(since_ms))
    if (until_ms := asked.get("until_ms")) is not None:
        found.append(table.c.since_ms < _bounded(until_ms))
    if (after := asked.get("after")) is not None:
        found.append(table.c.alert > _bounded(after))
    if (before := asked.get("before")) is not None:
        found.append(table.c.alert < _bounded(before))
    return found


def _bounded(number: int) -> int:
    return max(-INTEGER_MAX, min(number, INTEGER_MAX))


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
        "acknowledged_at": _or_none(row["seen_ms"]),
        "closed_at": rfc3339(row["at_ms"]) if row["state"] == "cleared" else None,
    }


def _or_none(at_ms: int | None) -> str | None:
    return rfc3339(at_ms) if at_ms is not None else None


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
