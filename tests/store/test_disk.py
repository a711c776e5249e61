"""Goal: a full disk or a crash costs what it must, says so, and never delays whoever puts.

Method: SQLite is told that it may not grow (`max_page_count`), for a full disk; a process that
ends itself without a word, in and between transactions, for a crash.
"""

import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from haunt.live.ports import AlertRow, Record
from haunt.store.journal import SqlJournal
from tests.core.stage import EVENING
from tests.store.stage import Heard, Opened, opened, record

PUT_MAX_S = 0.1
CRASHES_AFTER = 4

CRASHING = """
import os, sys, time
from pathlib import Path
from sqlalchemy import event
from haunt.store.journal import SqlJournal
from tests.store.stage import Heard, opened, record

data, where, after = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
transactions = 0

class Telling(Heard):
    def committed(self, records):
        print(records[-1].number, flush=True)
        if where == "between" and transactions > after:
            os._exit(9)

with opened(data) as database:
    @event.listens_for(database.writing, "commit")
    def _commit(connection):
        global transactions
        transactions += 1
        if where == "within" and transactions > after:
            os._exit(9)

    journal = SqlJournal(database.writing)
    journal.start(Telling())
    number = 0
    while True:
        if journal.counts().backlog < 1000:
            number += 1
            journal.put(record(number))
        else:
            time.sleep(0.001)  # spinning, it would keep the interpreter from the writer
"""


class Disk:
    """The database's disk: `fill` lets the file grow no more, `free` gives it room again."""

    def __init__(self, database: Opened) -> None:
        self._pages = 0
        self.failed = threading.Event()
        event.listen(database.writing, "connect", self._limit)
        event.listen(database.writing, "handle_error", lambda _context: self.failed.set())

    def fill(self) -> None:
        self._pages = 1

    def free(self) -> None:
        self._pages = 0

    def _limit(self, connection: Any, _record: object) -> None:
        # SQLite takes a limit below the present size as the present size.
        if self._pages:
            connection.execute(f"PRAGMA max_page_count={self._pages}")


@pytest.fixture
def kind() -> str:
    return "sqlite"  # its disk is filled by SQLite's own limit


def wide(number: int) -> Record:
    """Fill more than the free room in the pages there are."""
    return Record(number, number, EVENING, alert=AlertRow("x", "raised", "x" * 200_000))


def test_a_full_disk_is_said_counted_and_told(database: Opened) -> None:
    disk, heard = Disk(database), Heard()
    journal = SqlJournal(database.writing, give_up_s=0.3)
    disk.fill()
    journal.start(heard)
    try:
        journal.put(wide(1))
        heard.wait_for(gone=1)

        assert journal.counts().lost == 1
        assert "full" in journal.counts().failing
        assert database.ask("SELECT count(*) FROM alerts") == [(0,)]
    finally:
        journal.close()


def test_putting_never_waits_for_a_full_disk(database: Opened) -> None:
    disk, heard = Disk(database), Heard()
    journal = SqlJournal(database.writing, queue_max=50)
    disk.fill()
    journal.start(heard)
    try:
        journal.put(wide(1))
        assert disk.failed.wait(10)

        took: list[float] = []
        taken = 0
        for number in range(2, 202):
            began = time.perf_counter()
            taken += journal.put(wide(number))
            took.append(time.perf_counter() - began)

        # The first may be given up meanwhile, which makes room for another batch.
        assert 50 <= taken < 200
        assert max(took) < PUT_MAX_S
        assert journal.counts().lost >= 200 - taken
    finally:
        journal.close()


def test_with_room_again_the_journal_goes_on_and_what_waited_is_kept(database: Opened) -> None:
    disk, heard = Disk(database), Heard()
    journal = SqlJournal(database.writing, give_up_s=60)
    disk.fill()
    journal.start(heard)
    try:
        journal.put(wide(1))
        assert disk.failed.wait(10)
        journal.put(wide(2))
        disk.free()
        heard.wait_for(kept=2)

        assert journal.counts() == (2, 0, 0, "")
        assert database.ask("SELECT count(*) FROM alerts") == [(2,)]
        assert database.ask("PRAGMA integrity_check") == [("ok",)]
    finally:
        journal.close()


def test_closing_on_a_full_disk_does_not_wait_for_it(database: Opened) -> None:
    disk, heard = Disk(database), Heard()
    journal = SqlJournal(database.writing, give_up_s=60)
    disk.fill()
    journal.start(heard)
    journal.put(wide(1))
    assert disk.failed.wait(10)

    began = time.monotonic()
    journal.close()

    assert time.monotonic() - began < 2
    assert heard.gone == [1]


@pytest.mark.parametrize("where", ["within", "between"])
def test_a_crash_leaves_all_that_was_told_and_whole_records_only(
    tmp_path: Path, where: str
) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", CRASHING, tmp_path, where, str(CRASHES_AFTER)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert ended.returncode == 9, ended.stderr
    told = int(ended.stdout.split()[-1])

    with opened(tmp_path) as database:
        assert database.ask("PRAGMA integrity_check") == [("ok",)]
        events = [row[0] for row in database.ask("SELECT number FROM events ORDER BY number")]
        assert events == list(range(1, told + 1))
        for table in ("motions", "decisions"):
            rows = database.ask(f"SELECT number FROM {table} ORDER BY number")
            assert [row[0] for row in rows] == events

        heard = Heard()
        journal = SqlJournal(database.writing)
        journal.start(heard)
        journal.put(record(told + 1))
        heard.wait_for(kept=1)
        journal.close()
