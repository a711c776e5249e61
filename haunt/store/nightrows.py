"""Reads what the journal holds of whole nights, and what stands around one: a statement each."""

import json
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any, Final, NamedTuple, TypeAlias
from zoneinfo import ZoneInfo

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Connection,
    Engine,
    Select,
    Text,
    case,
    cast,
    literal,
    null,
    select,
    union_all,
)

from haunt.core.events import Motion
from haunt.store import tables
from haunt.store.checks import ROWS_MAX, Check, as_they_stand
from haunt.store.countrows import newest_quarters, quarters_with
from haunt.store.lists import between
from haunt.store.longrows import BATCH
from haunt.study.nightfacts import DecisionRow, HealthRow, Rows, Span, Told
from haunt.study.tallies import QUARTER_MS, night_of

DATES_MAX: Final = 100
NIGHTS_MAX: Final = 60
"""Six tables a night: SQLite joins at most five hundred reads to one."""
NUMBERS, TEXTS = 3, 5
"""What the widest of the tables has; the rows of others are filled up."""

Row: TypeAlias = Sequence[Any]
"""Place (which night), sort (which table), id, then numbers and texts."""
Column: TypeAlias = ColumnElement[Any]


class About(NamedTuple):
    """What stands around a night: the show file of then, what was checked, other nights' dates."""

    show: str | None
    checks: dict[str, Check]
    dates: list[str]


# --- whole nights


def nights_of(engine: Engine, spans: Sequence[Span]) -> Iterator[Rows]:
    """Yield the rows of each span by one statement, one span in memory at a time.

    Times are the wall's, in the motions too: the report knows no other.
    """
    arms = [arm for place, span in enumerate(spans[:NIGHTS_MAX]) for arm in _arms(place, span)]
    if not arms:
        return
    with engine.connect() as connection:
        done = 0
        for place, rows in groupby(_streamed(connection, arms), itemgetter(0)):
            assert place >= done, "the database mixed nights up"
            yield from (_rows(()) for _ in range(done, place))
            yield _rows(rows)
            done = place + 1
        yield from (_rows(()) for _ in range(done, min(len(spans), NIGHTS_MAX)))


def rows_of(engine: Engine, span: Span) -> Rows:
    [found] = nights_of(engine, [span])
    return found


def _arms(place: int, span: Span) -> Iterator[Select[Any]]:
    m, d, h = tables.motions.c, tables.decisions.c, tables.health.c
    said, did, e = tables.alerts.c, tables.actions.c, tables.events.c

    def inside(sort: int, key: Column, numbers: list[Column], texts: list[Column]) -> Select[Any]:
        arm = _arm(place, sort, key, numbers, texts)
        return arm.where(*between(key.table, span.from_ms, span.until_ms))

    yield inside(0, m.id, [m.at_ms, m.seq, m.age_ms], [m.board, m.sensor, m.boot])
    yield inside(1, d.id, [d.at_ms, d.waited_ms], [d.source, d.sensor, d.prop, d.outcome, d.reason])
    yield inside(
        2, h.id, [h.at_ms, h.battery_mv, h.charge_percent], [h.board, h.boot, h.reset, h.motions]
    )
    yield inside(3, said.id, [said.at_ms], [said.state, said.text])
    yield inside(4, did.id, [did.at_ms], [did.by, did.what, did.about])
    starts = _arm(place, 5, e.number, [e.wall_ms], []).where(tables.BREAKS, e.kind == "Started")
    yield starts.where(e.wall_ms >= span.from_ms, e.wall_ms < span.until_ms)


def _arm(
    place: int, sort: int, key: Column, numbers: Sequence[Column], texts: Sequence[Column]
) -> Select[Any]:
    numbers = [cast(each, BigInteger) for each in (*numbers, *[null()] * (NUMBERS - len(numbers)))]
    texts = [cast(each, Text) for each in (*texts, *[null()] * (TEXTS - len(texts)))]
    columns = [literal(place).label("place"), literal(sort).label("sort"), key.label("id")]
    named = (each.label(f"c{n}") for n, each in enumerate([*numbers, *texts]))
    return select(*columns, *named)


def _streamed(connection: Connection, arms: Sequence[Select[Any]]) -> Iterator[Row]:
    """SQLite runs the arms in their order; another database may run several at once."""
    query = union_all(*arms)
    if connection.dialect.name != "sqlite":
        query = query.order_by("place")
    yield from connection.execution_options(yield_per=BATCH).execute(query)


def _rows(found: Iterable[Row]) -> Rows:
    by_sort: list[list[Row]] = [[] for _ in range(6)]
    for row in found:
        by_sort[row[1]].append(row)
    for each in by_sort:
        each.sort(key=itemgetter(2))  # a union has no order of its own
    motions, decisions, health, alerts, actions, starts = by_sort
    return Rows(
        motions=[_motion(row) for row in motions],
        decisions=[DecisionRow(r[3], r[6], r[7], r[8], r[9], r[10], r[4]) for r in decisions],
        health=[HealthRow(r[3], r[6], r[7], r[4], r[5], r[8], json.loads(r[9])) for r in health],
        alerts=[Told(row[3], f"{row[6]}: {row[7]}") for row in alerts],
        actions=[Told(row[3], f"{row[6]}: {row[7]} {row[8]}".rstrip()) for row in actions],
        starts_ms=[row[3] for row in starts],
    )


def _motion(row: Row) -> Motion:
    _place, _sort, _id, at_ms, seq, age_ms, board, sensor, boot, *_ = row
    return Motion(at_ms, at_ms, board, sensor, boot, seq, age_ms)


# --- around a night


def about_night(engine: Engine, day: str, wall_ms: int, time_zone: str) -> About:
    """Tell by one statement what stands around a night; `wall_ms` is when its show was in force."""
    quarter = newest_quarters(tables.motions)
    c = tables.checks.c
    newest = select(tables.checks).where(c.day == day).order_by(c.id.desc()).limit(ROWS_MAX)
    k = newest.subquery().c
    show = select(_in_force(wall_ms).label("text")).subquery().c
    arms = [
        _arm(0, 0, quarter.c.quarter, [], []),
        _arm(0, 1, cast(literal(0), BigInteger), [], [show.text]),
        _arm(0, 2, k.id, [k.at_ms, k.done], [k.day, k.line, k.by, k.note]),
    ]
    with engine.connect() as connection:
        rows = [tuple(row) for row in _streamed(connection, arms)]
    checks = sorted((row for row in rows if row[1] == 2), key=itemgetter(2))
    return About(
        next((row[6] for row in rows if row[1] == 1), None),
        as_they_stand(Check(r[6], r[7], r[3], r[8], bool(r[4]), r[9]) for r in checks),
        _dates((row[2] for row in rows if row[1] == 0), time_zone),
    )


def dates_of(engine: Engine, time_zone: str) -> list[str]:
    """Return the local dates that have motions, newest first. An evening ends at the next noon."""
    return _dates(quarters_with(engine, tables.motions), time_zone)


def _dates(quarters: Iterable[int], time_zone: str) -> list[str]:
    zone = ZoneInfo(time_zone)
    found = {night_of(each * QUARTER_MS, zone) for each in quarters}
    return [day.isoformat() for day in sorted(found, reverse=True)[:DATES_MAX]]


def show_at(engine: Engine, wall_ms: int) -> str | None:
    """Return the show file that was in force at an instant; the first one for any earlier."""
    [found] = shows_at(engine, [wall_ms])
    return found


def shows_at(engine: Engine, instants_ms: Sequence[int]) -> list[str | None]:
    """Return the show file of each instant, by one statement."""
    wanted = [_in_force(wall_ms).label(f"at{n}") for n, wall_ms in enumerate(instants_ms)]
    if not wanted:
        return []
    with engine.connect() as connection:
        return list(connection.execute(select(*wanted)).one())


def _in_force(wall_ms: int) -> Column:
    c = tables.shows.c
    is_then = c.at_ms <= wall_ms
    order = [case((is_then, 0), else_=1), case((is_then, -c.version), else_=c.version)]
    return select(c.text).order_by(*order).limit(1).scalar_subquery()
