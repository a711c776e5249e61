"""Every decision that matches as plain tuples: for the CSV of a season, in flat memory."""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from sqlalchemy import ColumnElement, Engine, String, Table, cast, func, select

from haunt.store import tables
from haunt.store.lists import INTEGER_MAX, Asked, conditions, rfc3339

BATCH: Final = 5000

DecisionRow = tuple[object, ...]


def decision_rows(engine: Engine, asked: Asked) -> Iterator[list[DecisionRow]]:
    """Yield batches in the order of ids, in the columns that programs see in a decision.

    Each batch is a read of its own: a reader who takes minutes keeps nothing from being tidied.
    """
    table = tables.decisions
    with engine.connect() as connection:
        last = connection.execute(select(func.max(table.c.id))).scalar() or 0
    before = min(asked.get("before") or INTEGER_MAX, last + 1)
    after = asked.get("after") or 0
    while True:
        chosen = conditions(table, {**asked, "after": after, "before": before})
        if chosen is None:
            return
        query = select(*_columns(table)).where(*chosen).order_by(table.c.id).limit(BATCH)
        with engine.connect() as connection:
            rows = _as_tuples(connection.execute(query).all())
        if rows:
            yield _shaped(rows)
        if len(rows) < BATCH:
            return
        after = rows[-1][0]


def _as_tuples(rows: Sequence[Any]) -> Sequence[tuple[Any, ...]]:
    """A row is a tuple; copying it into one would cost a tenth of the whole."""
    return rows


def _columns(table: Table) -> tuple[ColumnElement[object], ...]:
    motion = table.c.board + "-" + table.c.boot + "-" + cast(table.c.seq, String)
    names = ["sensor", "prop", "outcome", "reason", "behaviour", "cue", "waited_ms", "margin"]
    return (table.c.id, table.c.at_ms, table.c.source, motion, *(table.c[each] for each in names))


def _shaped(rows: Sequence[tuple[Any, ...]]) -> list[DecisionRow]:
    """Write instants as text; a minute's text is made once for all its rows."""
    found: list[DecisionRow] = []
    minute, text = -1, ""
    for row in rows:
        number, at_ms, *rest = row
        at, rest_ms = divmod(at_ms, 60_000)
        if at != minute:
            minute, text = at, rfc3339(at * 60_000)[:17]
        found.append((number, f"{text}{rest_ms // 1000:02d}.{rest_ms % 1000:03d}Z", *rest))
    return found
