"""The log over millions of decisions: how long a page takes, and how fast the CSV comes.

`python -m tests.benchmarks.long_log 5000000`. The baseline of the same run is SQLite itself: the
same rows read by the standard library's module, and the same page asked in one bare statement.
"""

import sqlite3
import sys
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

from haunt.core.dice import draw
from haunt.core.rules import RULES
from haunt.site.lists import DECISION_COLUMNS, csv_of, every
from haunt.store.engines import open_engines
from haunt.store.reader import Reader
from haunt.store.schema import upgrade

START_MS = 1_793_552_400_000
PROPS = 40
ASKED: tuple[dict[str, object], ...] = (
    {},
    {"newest": True},
    {"prop": "p7", "newest": True},
    {"outcome": "fired", "newest": True},
    {"reason": "cooldown", "newest": True},
    {"prop": "p7", "outcome": "lapsed", "newest": True},
    {"prop": "p7", "reason": "sound-limit", "newest": True},
    {"since_ms": START_MS + 1000, "until_ms": START_MS + 60_000},
    {"prop": "p3", "since_ms": START_MS + 900_000, "until_ms": START_MS + 1_800_000},
)


class Found(NamedTuple):
    """Milliseconds a page (median and 95th percentile), rows a second, MB at the CSV's peak."""

    page_ms: float
    page_p95_ms: float
    bare_ms: float
    csv_rows_s: float
    bare_rows_s: float
    csv_peak_mb: float


def fill(path: Path, rows: int) -> None:
    """Write decisions straight into the table: a season of nights."""
    reasons = [rule.reason for rule in RULES]

    def made() -> Iterator[tuple[object, ...]]:
        for n in range(rows):
            luck = draw(7, str(n), 1 << 30)
            outcome = ("fired", "refused", "refused", "refused", "lapsed")[luck % 5]
            reason = None if outcome == "fired" else reasons[luck // 5 % len(reasons)]
            prop = f"p{luck // 200 % PROPS}"
            fired = outcome == "fired"
            cue, behaviour = (f"b-{n}-{prop}", "growl") if fired else (None, None)
            yield (
                n, START_MS + n * 700, "motion", "b1", "7f3a91c2d405", n, "pir", prop,
                outcome, reason, behaviour, cue, luck % 3000, luck % 9000,
            )  # fmt: skip

    columns = (
        "number, at_ms, source, board, boot, seq, sensor, prop, outcome, reason, behaviour, cue,"
        " waited_ms, margin"
    )
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA synchronous = off")
        marks = ", ".join("?" * 14)
        statement = f"INSERT INTO decisions ({columns}) VALUES ({marks})"
        connection.executemany(statement, made())
        connection.commit()


def measure(folder: Path, rows: int, rounds: int = 12) -> Found:
    writing, reading = open_engines(folder)
    try:
        upgrade(writing)
        fill(folder / "haunt.db", rows)
        reader = Reader(reading)
        pages = sorted(_page_ms(reader, asked, rows, n) for asked in ASKED for n in range(rounds))
        tracemalloc.start()
        _csv_rows(reader, min(rows, 50_000))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        began = time.perf_counter()
        count = _csv_rows(reader, rows)
        csv_s = time.perf_counter() - began
        bare_s, bare_ms = _bare(folder / "haunt.db")
        return Found(
            pages[len(pages) // 2],
            pages[int(0.95 * len(pages))],
            bare_ms,
            count / csv_s,
            rows / bare_s,
            peak / 1e6,
        )
    finally:
        writing.dispose()
        reading.dispose()


def _page_ms(reader: Reader, asked: dict[str, object], rows: int, n: int) -> float:
    """Ask for one page, each time from another place in the log."""
    more: dict[str, object] = {"limit": 50}
    if "since_ms" not in asked and n % 2:
        more["before"] = 1 + draw(3, str(n), rows)
    began = time.perf_counter()
    reader.decisions(**{**asked, **more})  # type: ignore[arg-type]
    return (time.perf_counter() - began) * 1000


def _csv_rows(reader: Reader, rows: int) -> int:
    asked: dict[str, object] = {"until_ms": START_MS + rows * 700}
    lines = 0
    for chunk in csv_of(DECISION_COLUMNS, every(reader.decisions, asked)):  # type: ignore[arg-type]
        lines += chunk.count("\n") if isinstance(chunk, str) else chunk.count(b"\n")
    return lines - 1


def _bare(path: Path) -> tuple[float, float]:
    """Return seconds for all rows, and ms for one page, by the standard library alone."""
    with closing(sqlite3.connect(path)) as connection:
        began = time.perf_counter()
        for _row in connection.execute("SELECT * FROM decisions ORDER BY id"):
            pass
        whole_s = time.perf_counter() - began
        began = time.perf_counter()
        for _ in range(20):
            connection.execute("SELECT * FROM decisions ORDER BY id DESC LIMIT 50").fetchall()
        return whole_s, (time.perf_counter() - began) / 20 * 1000


def main(rows: int) -> None:
    with TemporaryDirectory() as folder:
        found = measure(Path(folder), rows)
    print(f"{rows:,} decisions")
    print(
        f"a page: median {found.page_ms:.2f} ms, p95 {found.page_p95_ms:.2f} ms;"
        f" bare statement {found.bare_ms:.2f} ms"
    )
    print(
        f"CSV: {found.csv_rows_s:,.0f} rows/s, {found.csv_rows_s / found.bare_rows_s:.2f} of a bare"
        f" read ({found.bare_rows_s:,.0f} rows/s), {found.csv_peak_mb:.1f} MB at its peak"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
