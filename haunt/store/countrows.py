"""Reads decisions counted by quarter of an hour, and the boards' own counters beside the journal's.

Each is one statement, answered out of an index as far as there is one.
"""

import json

from sqlalchemy import (
    BigInteger,
    Engine,
    Subquery,
    Table,
    and_,
    case,
    cast,
    func,
    select,
    union,
)

from haunt.store import tables
from haunt.store.lists import between
from haunt.study.nightfacts import Span
from haunt.study.tallies import QUARTER_MS, BootCount, Quarter

QUARTERS_MAX = 400
"""A hundred hours with visitors: more than a season has."""
DATED_MAX = 3000
"""Hundred nights of seven hours and a half."""
PLACE = 1 << 20
"""More decisions than a quarter of an hour has."""
PLACES = {"fired": 1, "refused": PLACE, "lapsed": PLACE * PLACE}


def recent(engine: Engine) -> list[Quarter]:
    """Return the newest quarters with decisions, all props together."""
    c, quarter = tables.decisions.c, _newest(tables.decisions, QUARTERS_MAX)
    began = quarter.c.quarter * QUARTER_MS
    # Three counts in one number: grouped by outcome the database would sort every row.
    packed = cast(func.sum(case(PLACES, value=c.outcome, else_=0)), BigInteger)
    inside = select(packed).where(c.at_ms >= began, c.at_ms < began + QUARTER_MS)
    with engine.connect() as connection:
        rows = connection.execute(select(quarter.c.quarter, inside.scalar_subquery())).all()
    return [
        Quarter(number, None, outcome, all_ // place % PLACE)
        for number, all_ in rows
        for outcome, place in PLACES.items()
    ]


def quarters_with(engine: Engine, table: Table) -> list[int]:
    """Return the newest quarters of an hour that have a row in a table, newest first."""
    with engine.connect() as connection:
        return list(connection.execute(select(newest_quarters(table))).scalars())


def newest_quarters(table: Table) -> Subquery:
    return _newest(table, DATED_MAX)


def _newest(table: Table, most: int) -> Subquery:
    """From the newest row to the newest of an earlier quarter, and so on: an index skipped over."""
    at_ms = table.c.at_ms
    hop = select((func.max(at_ms) // QUARTER_MS).label("quarter")).cte("hop", recursive=True)
    earlier = select(func.max(at_ms)).where(at_ms < hop.c.quarter * QUARTER_MS).scalar_subquery()
    hop = hop.union_all(select(earlier // QUARTER_MS).where(hop.c.quarter.is_not(None)))
    return select(hop.c.quarter).where(hop.c.quarter.is_not(None)).limit(most).subquery()


def quarters_in(engine: Engine, span: Span) -> list[Quarter]:
    c, quarter = tables.decisions.c, tables.decisions.c.at_ms // QUARTER_MS
    query = (
        select(quarter, c.prop, c.outcome, func.count())
        .where(c.at_ms >= span.from_ms, c.at_ms < span.until_ms)
        .group_by(quarter, c.prop, c.outcome)
    )
    with engine.connect() as connection:
        return [Quarter(*row) for row in connection.execute(query)]


def boots_in(engine: Engine, span: Span) -> list[BootCount]:
    """Return every boot that told its counters or moved in a span, counted from its beginning."""
    h, m = tables.health.c, tables.motions.c
    in_span = between(tables.health, span.from_ms, span.until_ms)
    last = select(func.max(h.id).label("id")).where(*in_span).group_by(h.board, h.boot).subquery()
    told = select(h.board, h.boot, h.at_ms, h.motions).join(last, last.c.id == h.id).cte("told")
    moved = select(m.board, m.boot).where(m.at_ms >= span.from_ms, m.at_ms < span.until_ms)
    boot = union(select(told.c.board, told.c.boot), moved).subquery()
    same = and_(m.board == boot.c.board, m.boot == boot.c.boot, m.at_ms < span.until_ms)
    query = (
        select(
            boot.c.board,
            boot.c.boot,
            func.max(told.c.motions),
            func.count(m.id),
            func.sum(case((m.at_ms - m.age_ms > told.c.at_ms, 1), else_=0)),
            func.max(m.seq),
        )
        .outerjoin(told, and_(told.c.board == boot.c.board, told.c.boot == boot.c.boot))
        .outerjoin(tables.motions, same)
        .group_by(boot.c.board, boot.c.boot)
    )
    with engine.connect() as connection:
        rows = connection.execute(query).all()
    return [
        BootCount(board, boot_id, _sum(told_text), count, after or 0, highest)
        for board, boot_id, told_text, count, after, highest in rows
    ]


def _sum(counters: str | None) -> int | None:
    return None if counters is None else sum(json.loads(counters).values())
