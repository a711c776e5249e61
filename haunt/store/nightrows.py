"""Reads what the journal holds of one span of time, as the values that the night report takes."""

import json
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine, RowMapping, Table, select

from haunt.core.events import Motion
from haunt.store import tables
from haunt.store.countrows import quarters_with
from haunt.store.lists import between
from haunt.study.nightfacts import DecisionRow, HealthRow, Rows, Span, Told
from haunt.study.tallies import QUARTER_MS, night_of

DATES_MAX = 100


def rows_of(engine: Engine, span: Span) -> Rows:
    """Read one night. Times are the wall's, in the motions too: the report knows no other."""
    with engine.connect() as connection:
        return Rows(
            motions=[_motion(row) for row in _within(connection, tables.motions, span)],
            decisions=[_decision(row) for row in _within(connection, tables.decisions, span)],
            health=[_health(row) for row in _within(connection, tables.health, span)],
            alerts=[
                Told(row["at_ms"], f"{row['state']}: {row['text']}")
                for row in _within(connection, tables.alerts, span)
            ],
            actions=[
                Told(row["at_ms"], f"{row['by']}: {row['what']} {row['about']}".rstrip())
                for row in _within(connection, tables.actions, span)
            ],
            starts_ms=_starts(connection, span),
        )


def dates_of(engine: Engine, time_zone: str) -> list[str]:
    """Return the local dates that have motions, newest first. An evening ends at the next noon."""
    zone = ZoneInfo(time_zone)
    found = {night_of(each * QUARTER_MS, zone) for each in quarters_with(engine, tables.motions)}
    return [day.isoformat() for day in sorted(found, reverse=True)[:DATES_MAX]]


def show_at(engine: Engine, wall_ms: int) -> str | None:
    """Return the show file that was in force at an instant; the first one for any earlier."""
    table = tables.shows
    with engine.connect() as connection:
        newest = select(table.c.text).where(table.c.at_ms <= wall_ms)
        found = connection.execute(newest.order_by(table.c.version.desc()).limit(1)).scalar()
        if found is None:
            query = select(table.c.text).order_by(table.c.version).limit(1)
            found = connection.execute(query).scalar()
    return str(found) if found is not None else None


def _within(connection: Connection, table: Table, span: Span) -> list[RowMapping]:
    query = select(table).where(*between(table, span.from_ms, span.until_ms))
    return list(connection.execute(query.order_by(table.c.id)).mappings())


def _starts(connection: Connection, span: Span) -> list[int]:
    """Return when the controller started in a span."""
    table = tables.events
    wanted = select(table.c.wall_ms).where(
        tables.BREAKS,
        table.c.kind == "Started",
        table.c.wall_ms >= span.from_ms,
        table.c.wall_ms < span.until_ms,
    )
    return list(connection.execute(wanted.order_by(table.c.number)).scalars())


def _motion(row: RowMapping) -> Motion:
    at_ms: int = row["at_ms"]
    return Motion(at_ms, at_ms, row["board"], row["sensor"], row["boot"], row["seq"], row["age_ms"])


def _decision(row: RowMapping) -> DecisionRow:
    return DecisionRow(
        row["at_ms"],
        row["source"],
        row["sensor"],
        row["prop"],
        row["outcome"],
        row["reason"],
        row["waited_ms"],
    )


def _health(row: RowMapping) -> HealthRow:
    return HealthRow(
        row["at_ms"],
        row["board"],
        row["boot"],
        row["battery_mv"],
        row["charge_percent"],
        row["reset"],
        json.loads(row["motions"]),
    )
