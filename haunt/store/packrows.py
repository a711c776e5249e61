"""Reads what packs told in a span of time, counted: equal readings of five minutes are one row."""

from sqlalchemy import Engine, func, select

from haunt.store import tables
from haunt.store.lists import between
from haunt.study.drain import Counted
from haunt.study.nightfacts import Span
from haunt.workshop.forecast import STEP_MS


def counted_in(engine: Engine, span: Span) -> list[Counted]:
    c, step = tables.health.c, tables.health.c.at_ms // STEP_MS
    query = select(
        c.board,
        step.label("step"),
        c.boot,
        c.charge_percent,
        func.count(),
        func.min(c.at_ms),
        func.min(c.battery_mv),
        func.max(c.battery_mv),
        func.min(c.reset),
    ).where(*between(tables.health, span.from_ms, span.until_ms))
    grouped = query.group_by(c.board, step, c.boot, c.charge_percent)
    with engine.connect() as connection:
        return [Counted(*row) for row in connection.execute(grouped)]


def heard_before(engine: Engine, before_ms: int | None = None) -> int | None:
    """Return when a board last told of itself, or last before an instant."""
    at_ms = tables.health.c.at_ms
    query = select(func.max(at_ms))
    if before_ms is not None:
        query = query.where(at_ms < before_ms)
    with engine.connect() as connection:
        found: int | None = connection.execute(query).scalar()
    return found
