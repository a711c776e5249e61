"""Reads the events of one night with the decisions they led to, and the state it began from."""

import json
from collections import defaultdict
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from sqlalchemy import Engine, RowMapping, Table, select

from haunt.core.decisions import Decision, MotionKey, Outcome, Source
from haunt.core.events import Event
from haunt.core.show import Show
from haunt.store import tables
from haunt.store.lists import ids_within
from haunt.study.nightfacts import Span
from haunt.wire.eventcodec import decode_event

Happened = tuple[Event, tuple[Decision, ...]]
CHUNK = 2000


class Recorded(NamedTuple):
    """One event of the journal with the decisions that followed."""

    number: int
    event: Event
    decisions: tuple[Decision, ...]


def memory_before(engine: Engine, span: Span) -> tuple[int, dict[str, Any] | None]:
    """Return the newest snapshot taken before a span: its number and memory; (0, None) if none."""
    table = tables.snapshots
    query = select(table.c.number, table.c.body).where(table.c.wall_ms <= span.from_ms)
    with engine.connect() as connection:
        row = connection.execute(query.order_by(table.c.number.desc()).limit(1)).first()
    return (row[0], json.loads(row[1])) if row is not None else (0, None)


def events_of(
    engine: Engine, after: int, span: Span, show_of: Callable[[int], Show]
) -> Iterator[Happened]:
    """Yield what happened from a snapshot's number to the end of a span, in order."""
    events = tables.events
    decided = _decisions(engine, span)
    query = select(events).where(
        events.c.number > after, events.c.wall_ms >= span.from_ms, events.c.wall_ms < span.until_ms
    )
    with engine.connect() as connection:
        rows = connection.execute(query.order_by(events.c.number)).all()
    for number, mono_ms, wall_ms, kind, body in rows:
        event = decode_event(kind, mono_ms, wall_ms, body, show_of)
        yield event, tuple(decided.get(number, ()))


def recorded(engine: Engine, show_of: Callable[[int], Show]) -> Iterator[Recorded]:
    """Yield the whole journal in order, chunks of it in memory at a time."""
    verdicts = _in_order(engine, tables.decisions, "id")
    waiting = next(verdicts, None)
    for row in _in_order(engine, tables.events, "number"):
        number: int = row["number"]
        decisions = []
        while waiting is not None and waiting["number"] <= number:
            decisions.append(_decision(waiting))
            waiting = next(verdicts, None)
        event = decode_event(row["kind"], row["mono_ms"], row["wall_ms"], row["body"], show_of)
        yield Recorded(number, event, tuple(decisions))


def _in_order(engine: Engine, table: Table, key: str) -> Iterator[RowMapping]:
    """Yield every row; each chunk is a read of its own."""
    last = -1
    while True:
        query = select(table).where(table.c[key] > last).order_by(table.c[key]).limit(CHUNK)
        with engine.connect() as connection:
            rows = connection.execute(query).mappings().all()
        yield from rows
        if len(rows) < CHUNK:
            return
        last = rows[-1][key]


def _decisions(engine: Engine, span: Span) -> dict[int, list[Decision]]:
    table = tables.decisions
    found: dict[int, list[Decision]] = defaultdict(list)
    with engine.connect() as connection:
        ids = ids_within(connection, table, span.from_ms, span.until_ms)
        for row in connection.execute(select(table).where(*ids).order_by(table.c.id)).mappings():
            found[row["number"]].append(_decision(row))
    return found


def _decision(row: RowMapping) -> Decision:
    """Give a decision back; of its two instants the journal keeps the wall's."""
    key = None
    if row["board"] is not None:
        key = MotionKey(row["board"], row["boot"], row["seq"])
    return Decision(
        row["at_ms"],
        row["at_ms"],
        Source(row["source"]),
        key,
        row["sensor"],
        row["prop"],
        Outcome(row["outcome"]),
        row["reason"],
        row["behaviour"],
        row["cue"],
        row["waited_ms"],
        row["margin"],
    )
