"""The log over millions of decisions: how long a page takes, and how fast the CSV comes.

`python -m tests.benchmarks.long_log 5000000`. The baseline of the same run is SQLite itself: the
same rows read by the standard library's module, and the same page asked in one bare statement.
Pages are asked for with every mixture of filters, those that match nothing among them.
"""

import sqlite3
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import psycopg
import uvicorn

from haunt.core.dice import draw
from haunt.core.rules import RULES
from haunt.live.crew import Crew
from haunt.site.app import create_app
from haunt.site.hub import Hub
from haunt.site.ports import Services
from haunt.site.rights import Role
from haunt.store.engines import open_engines
from haunt.store.reader import Reader
from haunt.store.schema import upgrade
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, a_night
from tests.site.stage import an_entrance

START_MS = 1_793_552_400_000
PROPS = 40
STEP_MS = 700
HTTP_PAGES = 100
Asked = dict[str, object]


class Found(NamedTuple):
    """Milliseconds a page, rows a second, and MB that the process grew by while it sent the CSV.

    Where other work runs on the machine, rows a second of processor time say more than of the wall.
    """

    pages: int
    page_ms: float
    page_p95_ms: float
    page_worst_ms: float
    worst: str
    bare_ms: float
    http_p95_ms: float
    csv_rows_s: float
    csv_rows_cpu_s: float
    http_rows_s: float
    bare_rows_s: float
    grown_mb: float


COLUMNS = (
    "number, at_ms, source, board, boot, seq, sensor, prop, outcome, reason, behaviour, cue,"
    " waited_ms, margin"
)


def made(rows: int) -> Iterator[tuple[object, ...]]:
    reasons = [rule.reason for rule in RULES]
    for n in range(rows):
        luck = draw(7, str(n), 1 << 30)
        outcome = ("fired", "refused", "refused", "refused", "lapsed")[luck % 5]
        # Some reasons are seen all the time, others once in a season.
        rare = (luck // 5 % 1000 / 1000) ** 3
        reason = None if outcome == "fired" else reasons[int(rare * len(reasons))]
        prop = f"p{luck // 5000 % PROPS}"
        sensor = "rare" if n % 1_000_000 == 7 else f"s{luck // 5000 % PROPS // 2}"
        fired = outcome == "fired"
        cue, behaviour = (f"b-{n}-{prop}", "growl") if fired else (None, None)
        yield (
            n, START_MS + n * STEP_MS, "motion", "b1", "7f3a91c2d405", n, sensor, prop,
            outcome, reason, behaviour, cue, luck % 3000, luck % 9000,
        )  # fmt: skip


def fill_server(url: str, rows: int) -> None:
    """The same into PostgreSQL, by its own way of taking many rows."""
    plain = url.replace("+psycopg", "")
    statement = f"COPY decisions ({COLUMNS}) FROM STDIN".encode()
    with (
        psycopg.connect(plain) as connection,
        connection.cursor() as cursor,
        cursor.copy(statement) as copy,
    ):
        for row in made(rows):
            copy.write_row(row)


def fill(path: Path, rows: int) -> None:
    """Write decisions straight into the table: a season of nights."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA synchronous = off")
        marks = ", ".join("?" * 14)
        statement = f"INSERT INTO decisions ({COLUMNS}) VALUES ({marks})"
        connection.executemany(statement, made(rows))
        connection.commit()


def questions(rows: int) -> Iterator[Asked]:
    """Every mixture of the filters, at the newest end, at an early evening and at the last one."""
    late = START_MS + (rows - rows // 150) * STEP_MS
    spans: tuple[Asked, ...] = (
        {},
        {"since_ms": START_MS + 1000, "until_ms": START_MS + rows // 250 * STEP_MS},
        {"since_ms": late, "until_ms": START_MS + rows * STEP_MS},
        {"before": 1 + rows // 2},
    )
    wanted = product(
        (None, "p7"),
        (None, "s3", "rare"),
        (None, "fired", "lapsed"),
        (None, "lingering", "sound-limit", "muted", "unknown-sensor"),
        spans,
    )
    for prop, sensor, outcome, reason, span in wanted:
        named = {"prop": prop, "sensor": sensor, "outcome": outcome, "reason": reason}
        yield {k: v for k, v in named.items() if v is not None} | span


def measure(folder: Path, rows: int) -> Found:
    writing, reading = open_engines(folder)
    try:
        upgrade(writing)
        fill(folder / "haunt.db", rows)
        reader = Reader(reading)
        reader.decisions()
        pages = sorted((_page_ms(reader, asked), str(asked)) for asked in questions(rows))
        began, cpu = time.perf_counter(), time.process_time()
        count = sum(each.count("\r\n") for each in reader.decision_lines())
        csv_s, csv_cpu_s = time.perf_counter() - began, time.process_time() - cpu
        bare_s, bare_ms = _bare(folder / "haunt.db")
        with served(reader) as url:
            over_http = sorted(_http_ms(url, rows, n) for n in range(HTTP_PAGES))
            http_s, grown_mb = _http_csv(url, rows)
        return Found(
            len(pages),
            pages[len(pages) // 2][0],
            pages[int(0.95 * len(pages))][0],
            *pages[-1],
            bare_ms,
            over_http[int(0.95 * len(over_http))],
            count / csv_s,
            count / csv_cpu_s,
            rows / http_s,
            rows / bare_s,
            grown_mb,
        )
    finally:
        writing.dispose()
        reading.dispose()


def _page_ms(reader: Reader, asked: Asked) -> float:
    """A page as the log asks for it: the decisions, and what broke the log between them."""
    began = time.perf_counter()
    found = reader.decisions(**{**asked, "newest": True, "limit": 50})  # type: ignore[arg-type]
    first = found.items[0]["id"] if found.items else None
    reader.breaks(first, None)
    return (time.perf_counter() - began) * 1000


@contextmanager
def served(reader: Reader) -> Iterator[str]:
    """The pages on loopback, in this process, open to everybody."""
    desk, hub = StandInDesk(a_night()), Hub()
    entrance = an_entrance(guest=Role.OWNER)
    app = create_app(
        Services(Crew(desk), reader, StandInKeeper(desk), hub, lambda: DUSK_MS, entrance)
    )
    server = uvicorn.Server(uvicorn.Config(app, "127.0.0.1", 0, log_level="error"))
    thread = threading.Thread(target=server.run)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    [listening] = server.servers[0].sockets
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join()
    entrance.passwords.close()


def _http_ms(url: str, rows: int, n: int) -> float:
    """The whole page with its words, each time from another place in the log."""
    prop = f"&prop=p{n % PROPS}" if n % 2 else ""
    began = time.perf_counter()
    with urllib.request.urlopen(f"{url}/log?before={1 + draw(3, str(n), rows)}{prop}") as answer:
        answer.read()
    return (time.perf_counter() - began) * 1000


def _http_csv(url: str, rows: int) -> tuple[float, float]:
    """Return seconds, and MB that the process had grown by at the most."""
    count, most, start = 0, 0.0, _resident_mb()
    began = time.perf_counter()
    with urllib.request.urlopen(f"{url}/log.csv") as answer:
        while piece := answer.read(1 << 20):
            count += piece.count(b"\n")
            most = max(most, _resident_mb())
    assert count == rows + 1, f"{count} lines"
    return time.perf_counter() - began, most - start


def _resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6


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
        size_mb = (Path(folder) / "haunt.db").stat().st_size / 1e6
    print(f"{rows:,} decisions, {size_mb:,.0f} MB")
    print(
        f"a page, {found.pages} mixtures of filters: median {found.page_ms:.2f} ms, p95 "
        f"{found.page_p95_ms:.2f} ms, worst {found.page_worst_ms:.2f} ms ({found.worst}); bare "
        f"statement {found.bare_ms:.2f} ms; over HTTP with its words p95 {found.http_p95_ms:.1f} ms"
    )
    print(
        f"CSV: {found.csv_rows_s:,.0f} rows/s ({found.csv_rows_cpu_s:,.0f} a second of processor "
        f"time), {found.csv_rows_s / found.bare_rows_s:.2f} of a bare"
        f" read ({found.bare_rows_s:,.0f} rows/s); over HTTP, client in the same process, "
        f"{found.http_rows_s:,.0f} rows/s, grown by {found.grown_mb:.1f} MB"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200_000)
