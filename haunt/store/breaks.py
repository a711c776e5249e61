"""Where the log is broken: the server was off, or had no broker, and nobody was heard."""

import json
from typing import Any, Final, NamedTuple

from sqlalchemy import ColumnElement, Engine, func, literal, select

from haunt.store import tables

BREAKS_MAX: Final = 100


class Break(NamedTuple):
    """`kind` is off, lost or back. `heard_ms` is when a board was last heard before."""

    at_ms: int
    kind: str
    heard_ms: int | None


def breaks_between(
    engine: Engine, first: int | None, before: int | None, since_ms: int, until_ms: int
) -> list[Break]:
    """Return what lies between two decisions (ids), or from the beginning or to now; newest first.

    Only of a span of time as well; at most a hundred.
    """
    events, decisions, health = tables.events, tables.decisions, tables.health

    def number_of(decision: int) -> ColumnElement[Any]:
        return select(decisions.c.number).where(decisions.c.id == decision).scalar_subquery()

    chosen = [events.c.wall_ms >= since_ms, events.c.wall_ms < until_ms]
    if first is not None:
        chosen.append(events.c.number >= number_of(first))
    if before is not None:
        chosen.append(events.c.number < number_of(before))
    heard = select(func.max(health.c.at_ms)).where(health.c.at_ms < events.c.wall_ms)
    query = select(events.c.wall_ms, events.c.kind, events.c.body, heard.scalar_subquery())
    newest = (
        query.where(tables.BREAKS, *chosen)
        .order_by(events.c.number.desc())
        .limit(literal(BREAKS_MAX))
    )
    with engine.connect() as connection:
        rows = connection.execute(newest).all()
    return [Break(at_ms, _kind(kind, body), heard_ms) for at_ms, kind, body, heard_ms in rows]


def _kind(kind: str, body: str) -> str:
    if kind == "Started":
        return "off"
    return "back" if json.loads(body).get("up") else "lost"
