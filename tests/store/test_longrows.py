"""Goal: the fast way through all decisions says exactly what the list says a page at a time.

Method: one real journal, both ways, with the same filters; words that need quotes among them.
"""

import csv
import io
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from haunt.site.lists import DECISION_COLUMNS, csv_of, decision_pieces, every
from haunt.store.longrows import BATCH
from haunt.store.reader import Reader
from tests.benchmarks.long_log import START_MS, fill, fill_server
from tests.outside.registry import outside
from tests.store.stage import Opened, opened

ROWS = 3 * BATCH
ASKED: tuple[dict[str, Any], ...] = (
    {},
    {"prop": "p7"},
    {"sensor": "s3", "outcome": "refused"},
    {"outcome": "lapsed", "reason": "cooldown"},
    {"since_ms": START_MS + 700_000, "until_ms": START_MS + 900_000},
    {"after": 100, "before": 300},
    {"reason": "\ud800"},
    {"outcome": "fired", "reason": "cooldown"},
)
ODD = (
    "a,b", 'say "boo"', "two\nlines", "two\r\nlines", "=1+1", "-cue", "@cue", "+cue", "\tcue",
    "\x1f", "a\x1eb", "käuz-ñ-雪", "", "'", " ", "a\x1f=b",
)  # fmt: skip


def filled(found: Opened, rows: int) -> None:
    if found.url:
        fill_server(found.url, rows)
    else:
        fill(found.path, rows)


@pytest.mark.parametrize("asked", ASKED, ids=str)
def test_the_lines_are_those_of_the_list(tmp_path: Path, url: str, asked: dict[str, Any]) -> None:
    with opened(tmp_path, url) as found:
        filled(found, ROWS)
        quick = "".join(decision_pieces(found.reader, asked))  # type: ignore[arg-type]
        slow = "".join(csv_of(DECISION_COLUMNS, _items(found.reader, asked)))

    assert quick == slow
    is_none = asked in ({"reason": "\ud800"}, {"outcome": "fired", "reason": "cooldown"})
    assert (quick.count("\r\n") == 1) is is_none


def test_words_that_need_quotes_or_a_guard_come_out_as_they_went_in(
    tmp_path: Path, url: str
) -> None:
    """RFC 4180; the cue by hand is somebody else's key and may hold anything."""
    with opened(tmp_path, url) as found:
        filled(found, 40)
        with found.writing.begin() as connection:
            for number, odd in enumerate(ODD, 1):
                named = {"odd": odd, "id": number}
                connection.execute(text("UPDATE decisions SET cue = :odd WHERE id = :id"), named)
        quick = "".join(decision_pieces(found.reader, {}))
        slow = "".join(csv_of(DECISION_COLUMNS, _items(found.reader, {})))

    rows = list(csv.DictReader(io.StringIO(quick, newline="")))
    assert quick == slow
    assert len(rows) == 40
    shown = [row["cue"] for row in rows[: len(ODD)]]
    assert [each.removeprefix("'") if len(each) > 1 else each for each in shown] == list(ODD)
    outside("csv/rows").agrees(cases=len(ODD))
    assert all(not each.startswith(("=", "+", "-", "@", "\t")) for each in shown)


@pytest.mark.parametrize(
    ("asked", "leads"),
    [
        ({"prop": "p7", "outcome": "lapsed", "reason": "held", "sensor": "s1"}, "prop_id"),
        ({"sensor": "rare", "outcome": "fired"}, "sensor_id"),
        ({"reason": "held", "outcome": "lapsed"}, "reason_id"),
        ({"outcome": "lapsed"}, "outcome_id"),
    ],
)
def test_the_rarest_filter_leads_through_an_index(
    tmp_path: Path, asked: dict[str, Any], leads: str
) -> None:
    """SQLite's own plan says so; the time that it takes is in tests/benchmarks."""
    said: list[str] = []
    with opened(tmp_path) as found:
        fill(tmp_path / "haunt.db", 100)
        found.reader.decisions(**asked, newest=True)
        with closing(sqlite3.connect(tmp_path / "haunt.db")) as connection:
            statement = _statement(found.reader, asked)
            said = [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {statement}")]

    assert f"USING INDEX ix_decisions_{leads}" in said[0], said
    assert len(said) == 1, "nothing is sorted"


def _statement(reader: Reader, asked: dict[str, Any]) -> str:
    """The page's statement with its values written in."""
    from sqlalchemy import select  # noqa: PLC0415

    from haunt.store import tables  # noqa: PLC0415
    from haunt.store.lists import conditions  # noqa: PLC0415

    table = tables.decisions
    chosen = conditions(table, asked)  # type: ignore[arg-type]
    assert chosen is not None
    query = select(table).where(*chosen).order_by(table.c.id.desc()).limit(51)
    return str(query.compile(reader._engine, compile_kwargs={"literal_binds": True}))


def _items(reader: Reader, asked: dict[str, Any]) -> list[dict[str, Any]]:
    return list(every(reader.decisions, asked))  # type: ignore[arg-type]
