"""Every decision that matches as lines of CSV: for a season, in flat memory, a chunk at a time.

The database joins a row's words itself, so that Python handles one text a row and not twelve.
"""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any, Final, TypeAlias

from sqlalchemy import (
    BigInteger,
    ColumnElement,
    Engine,
    Select,
    String,
    Table,
    bindparam,
    func,
    literal,
    select,
)
from sqlalchemy import cast as as_type

from haunt.core.calendar import MINUTE_MS
from haunt.store import tables
from haunt.store.instants import rfc3339
from haunt.store.lists import INTEGER_MAX, Asked, conditions, ids_within

BATCH: Final = 2000
# Between columns until it is known that none of them needs quotes; before a number, the other.
WORD, NUMBER, LINE = "\x1f", "\x1e", "\n"
WORDS, NUMBERS = 9, 2
QUOTED: Final = ('"', ",", "\r")
FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")
GUARDED: Final = tuple(WORD + each for each in FORMULA)
_SECONDS: Final = tuple(f"{n:02d}." for n in range(60))
_MILLIS: Final = tuple(f"{n:03d}Z" for n in range(1000))

Raw: TypeAlias = tuple[int, int, str]
"""Id, instant, and all the other columns in one text."""


def decision_lines(engine: Engine, asked: Asked) -> Iterator[str]:
    """Yield chunks of whole lines in the order of ids, in the columns of a decision in a list.

    RFC 4180; text that looks like a formula is guarded. Each chunk is a read of its own: a reader
    who takes minutes keeps nothing from being tidied.
    """
    table, after = tables.decisions, asked.get("after") or 0
    with engine.connect() as connection:
        last = connection.execute(select(func.max(table.c.id))).scalar() or 0
        since_ms, until_ms = asked.get("since_ms"), asked.get("until_ms")
        hint: list[ColumnElement[bool]] = []
        if since_ms is not None or until_ms is not None:
            hint = ids_within(connection, table, since_ms, until_ms)
    before = min(asked.get("before") or INTEGER_MAX, last + 1)
    chosen = conditions(table, {**asked, "after": None, "before": before})
    if chosen is None:
        return
    chosen += [*hint, table.c.id > bindparam("after", type_=BigInteger)]
    # Put together once: for each chunk anew it would cost as much as the chunk.
    joined, columns = (
        select(*each).where(*chosen).order_by(table.c.id).limit(BATCH)
        for each in ((table.c.id, table.c.at_ms, _joined(table)), _columns(table))
    )
    while True:
        rows = _read(engine, joined, after)
        if rows:
            yield _plain(rows) or _quoted(_read(engine, columns, after))
        if len(rows) < BATCH:
            return
        after = rows[-1][0]


def _read(engine: Engine, query: Select[Any], after: int) -> Sequence[Any]:
    """Rows are tuples; copying them into some would cost a tenth of the whole."""
    with engine.connect() as connection:
        return connection.execute(query, {"after": after}).all()


def _columns(table: Table) -> tuple[ColumnElement[Any], ...]:
    c = table.c
    motion = c.board + "-" + c.boot + "-" + as_type(c.seq, String)
    words = (c.source, motion, c.sensor, c.prop, c.outcome, c.reason, c.behaviour, c.cue)
    return (c.id, c.at_ms, *words, c.waited_ms, c.margin)


def _joined(table: Table) -> ColumnElement[str]:
    """All columns after the instant, each after its mark; what is not there is empty."""
    _id, _at_ms, *words, waited_ms, margin = _columns(table)
    found: ColumnElement[str] = literal("")
    for each in words:
        found = found + WORD + func.coalesce(each, "")
    for number in (waited_ms, margin):
        found = found + NUMBER + func.coalesce(as_type(number, String), "")
    return found


def _plain(rows: Sequence[Raw]) -> str:
    """Return the lines of a chunk, or nothing where a column of it needs quotes or a guard."""
    found: list[str] = []
    minute, text = -1, ""
    for number, at_ms, rest in rows:
        at, rest_ms = divmod(at_ms, MINUTE_MS)
        if at != minute:
            minute, text = at, rfc3339(at * MINUTE_MS)[:17]
        found.append(
            f"{number}{WORD}{text}{_SECONDS[rest_ms // 1000]}{_MILLIS[rest_ms % 1000]}{rest}"
        )
    joined = LINE.join(found)
    counts = joined.count(LINE), joined.count(WORD), joined.count(NUMBER)
    if counts != (len(found) - 1, WORDS * len(found), NUMBERS * len(found)):
        return ""
    if any(each in joined for each in QUOTED) or any(each in joined for each in GUARDED):
        return ""
    return joined.replace(LINE, "\r\n").replace(WORD, ",").replace(NUMBER, ",") + "\r\n"


def _quoted(rows: Sequence[Any]) -> str:
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    for number, at_ms, *columns in rows:
        writer.writerow([number, rfc3339(at_ms), *map(guarded, columns)])
    return buffer.getvalue()


def guarded(value: object) -> object:
    """A spreadsheet would take these for a formula; the quote is taken off again on import."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value
