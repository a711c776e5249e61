"""Lists of what happened, a page at a time by id, in the shapes that programs see."""

import json
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final, NamedTuple, TypedDict

from sqlalchemy import ColumnElement, Connection, Engine, RowMapping, Select, Table, func, select

from haunt.store import tables
from haunt.store.instants import rfc3339
from haunt.store.planning import counted, judged

LIMIT: Final = 100
LIMIT_MAX: Final = 1000
INTEGER_MAX: Final = 2**63 - 1
BY_RARITY: Final = ("board", "prop", "sensor", "reason", "outcome")

Item = dict[str, Any]
Shape = Callable[[RowMapping], Item]


class Asked(TypedDict, total=False):
    """Filters and cursors; what a list does not have is ignored, None is not asked.

    `since_ms` is the first instant, `until_ms` the first no more. `after` and `before` are ids.
    With `newest`, or `before` alone, the page is the newest that match; items count up all the
    same.
    """

    prop: str | None
    outcome: str | None
    reason: str | None
    sensor: str | None
    board: str | None
    since_ms: int | None
    until_ms: int | None
    after: int | None
    before: int | None
    newest: bool
    limit: int


class Page(NamedTuple):
    """Items with ids counting up; `next` is the cursor that goes on, None at the end."""

    items: list[Item]
    next: int | None


def page_of(engine: Engine, table: Table, shape: Shape, asked: Asked) -> Page:
    """Return a page of a table's rows that match, by their ids."""
    chosen = conditions(table, asked)
    if chosen is None:
        return Page([], None)
    with engine.connect() as connection:
        if asked.get("after") is None and asked.get("before") is None:
            chosen += _span(connection, table, asked)
        query = select(table, *MORE.get(table.name, ())).where(*chosen)
        return turned(connection, query, table.c.id, shape, asked)


def turned(
    connection: Connection,
    query: Select[Any],
    number: ColumnElement[int],
    shape: Shape,
    asked: Asked,
) -> Page:
    """Read one page of what a query finds, in the order of `number`, which items call their id."""
    limit = max(1, min(asked.get("limit") or LIMIT, LIMIT_MAX))
    after, before = asked.get("after"), asked.get("before")
    backwards = asked.get("newest", False) or (before is not None and after is None)
    ordered = query.order_by(number.desc() if backwards else number).limit(limit + 1)
    rows = connection.execute(ordered).mappings().all()
    more, rows = len(rows) > limit, rows[:limit]
    items = [shape(row) for row in (reversed(rows) if backwards else rows)]
    return Page(items, items[0 if backwards else -1]["id"] if more else None)


def every(engine: Engine, table: Table, shape: Shape, asked: Asked) -> Iterator[Item]:
    """Yield all there are now that match, oldest first, one page in memory at a time.

    Each page is a read of its own: a reader who takes minutes keeps nothing from being tidied.
    """
    with engine.connect() as connection:
        last = connection.execute(select(func.max(table.c.id))).scalar() or 0
    before = min(asked.get("before") or INTEGER_MAX, last + 1)
    after = asked.get("after") or 0
    while True:
        step: Asked = {**asked, "after": after, "before": before, "newest": False}
        step["limit"] = LIMIT_MAX
        page = page_of(engine, table, shape, step)
        yield from page.items
        if page.next is None:
            return
        after = page.next


def conditions(table: Table, asked: Asked) -> list[ColumnElement[bool]] | None:
    """Return the conditions, or None where no row can match."""
    wanted: Mapping[str, object] = asked
    found: list[ColumnElement[bool]] = []
    if asked.get("outcome") == "fired" and asked.get("reason") is not None:
        return None
    for name in BY_RARITY:
        value = wanted.get(name)
        if value is None or name not in table.c:
            continue
        if not _is_text(str(value)):
            return None
        # Only the rarest leads through an index: the others are judged in it. SQLite, left to
        # choose, takes the outcome's, and looks at a million rows for one that never came.
        column = judged(table.c[name]) if found else table.c[name]
        found.append(column == value)
    # In the order of ids, an index by time would only be in the way.
    return [*found, *bounds(judged(table.c.at_ms), table.c.id, asked)]


def bounds(
    at_ms: ColumnElement[int], number: ColumnElement[int], asked: Asked
) -> Iterator[ColumnElement[bool]]:
    """Yield what is asked of the instant and of the cursor."""
    if (since_ms := asked.get("since_ms")) is not None:
        yield at_ms >= _bounded(since_ms)
    if (until_ms := asked.get("until_ms")) is not None:
        yield at_ms < _bounded(until_ms)
    if (after := asked.get("after")) is not None:
        yield number > _bounded(after)
    if (before := asked.get("before")) is not None:
        yield number < _bounded(before)


def _span(connection: Connection, table: Table, asked: Asked) -> list[ColumnElement[bool]]:
    since_ms, until_ms = asked.get("since_ms"), asked.get("until_ms")
    if since_ms is None and until_ms is None:
        return []
    return ids_within(connection, table, since_ms, until_ms)


def ids_within(
    connection: Connection, table: Table, since_ms: int | None, until_ms: int | None
) -> list[ColumnElement[bool]]:
    """Return where in the ids a span of time lies, so that a query need not look for it.

    Ids and times run side by side except where the clock was set: the ids are a hint, no more.
    """
    within = [
        table.c.at_ms >= _bounded(since_ms if since_ms is not None else 0),
        table.c.at_ms < _bounded(until_ms if until_ms is not None else INTEGER_MAX),
    ]
    query = select(func.min(counted(table.c.id)), func.max(counted(table.c.id))).where(*within)
    first, last = connection.execute(query).one()
    return [table.c.id >= (first or 0), table.c.id <= (last or 0)]


def between(table: Table, from_ms: int, until_ms: int) -> list[ColumnElement[bool]]:
    """Rows of a span of time, read in the order of ids; see `ids_within`, within one statement."""
    c = table.c
    span = [c.at_ms >= _bounded(from_ms), c.at_ms < _bounded(until_ms)]
    first = select(func.min(counted(c.id))).where(*span).scalar_subquery()
    last = select(func.max(counted(c.id))).where(*span).scalar_subquery()
    exact = [judged(c.at_ms) >= _bounded(from_ms), judged(c.at_ms) < _bounded(until_ms)]
    return [c.id >= first, c.id <= last, *exact]


def _is_text(value: str) -> bool:
    """Whether a database could hold it: no half of a surrogate pair, no NUL."""
    try:
        value.encode()
    except UnicodeEncodeError:
        return False
    return "\0" not in value


def _bounded(number: int) -> int:
    return max(-INTEGER_MAX, min(number, INTEGER_MAX))


# --- shapes


def decision(row: RowMapping) -> Item:
    motion = None
    if row["board"] is not None:
        motion = f"{row['board']}-{row['boot']}-{row['seq']}"
    return {
        "id": row["id"],
        "at": rfc3339(row["at_ms"]),
        "source": row["source"],
        "motion": motion,
        "sensor": row["sensor"],
        "prop": row["prop"],
        "outcome": row["outcome"],
        "reason": row["reason"],
        "behaviour": row["behaviour"],
        "cue": row["cue"],
        "waited_ms": row["waited_ms"],
        "margin": row["margin"],
        "because": json.loads(row["because"]) if row["because"] else None,
        "line": row["line"],
    }


def plain(row: RowMapping) -> Item:
    found: Item = {"id": row["id"], "at": rfc3339(row["at_ms"])}
    found.update({k: v for k, v in row.items() if k not in {"id", "at_ms", "number"}})
    return found


def health(row: RowMapping) -> Item:
    found = plain(row)
    found["starts"], found["motions"] = json.loads(row["starts"]), json.loads(row["motions"])
    return found


SHAPES: Final[dict[str, Shape]] = {
    tables.decisions.name: decision,
    tables.health.name: health,
}
MORE: Final = {
    # The cue of a firing says which line was spoken. Looked up by index, row by row of a page.
    tables.decisions.name: (
        select(tables.cues.c.line)
        .where(tables.cues.c.cue == tables.decisions.c.cue)
        .limit(1)
        .scalar_subquery()
        .label("line"),
    ),
}
"""What a list shows beside the columns of its own table."""
