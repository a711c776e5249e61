"""Goal: after a power cut the journal is a prefix of what was committed, in whole records.

Method: the files as they stand while the journal is open, with the write-ahead log cut off at every
frame's edge and at places drawn in between, opened again.
"""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from haunt.store.ledger import Ledger
from tests.store.flaky import whole
from tests.store.stage import opened

COMMITS = 6
WAL_HEAD, FRAME_HEAD, PAGE = 32, 24, 4096


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database and its log, copied while a journal had them open."""
    data, copy = tmp_path_factory.mktemp("night"), tmp_path_factory.mktemp("copy")
    with opened(data) as database:
        ledger = Ledger(database.writing)
        for number in range(1, COMMITS + 1):
            ledger.write([whole(2 * number - 1), whole(2 * number)])
        for name in ("haunt.db", "haunt.db-wal"):
            shutil.copy(data / name, copy / name)
        ledger.close()
    return copy


def recovered(files: Path, work: Path, length: int) -> int:
    """Return how many commits are there with the log cut to this length."""
    for left in work.iterdir():
        left.unlink()
    shutil.copy(files / "haunt.db", work / "haunt.db")
    (work / "haunt.db-wal").write_bytes((files / "haunt.db-wal").read_bytes()[:length])
    with closing(sqlite3.connect(work / "haunt.db")) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        numbers = [row[0] for row in connection.execute("SELECT number FROM events")]
        assert numbers == list(range(1, len(numbers) + 1))
        assert len(numbers) % 2 == 0
        for table in ("motions", "decisions", "health", "reports", "alerts", "actions"):
            [found] = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
            assert found == len(numbers) * (2 if table == "decisions" else 1)
        ends = connection.execute("SELECT number FROM journal_end").fetchall()
        assert ends == ([(len(numbers),)] if numbers else [])
    return len(numbers) // 2


def test_cut_at_every_frame_the_commits_before_are_there(cut_off: Path, tmp_path: Path) -> None:
    whole_length = (cut_off / "haunt.db-wal").stat().st_size
    frames = range(WAL_HEAD, whole_length + 1, FRAME_HEAD + PAGE)

    kept = [recovered(cut_off, tmp_path, length) for length in frames]

    assert kept == sorted(kept)
    assert set(kept) == set(range(kept[0], COMMITS + 1))
    assert kept[-1] == COMMITS


@given(data=st.data())
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_cut_anywhere_no_record_is_half_there(
    cut_off: Path, tmp_path: Path, data: st.DataObject
) -> None:
    whole_length = (cut_off / "haunt.db-wal").stat().st_size
    length = data.draw(st.integers(0, whole_length))
    edge = length - (length - WAL_HEAD) % (FRAME_HEAD + PAGE) if length >= WAL_HEAD else 0

    assert recovered(cut_off, tmp_path, length) == recovered(cut_off, tmp_path, edge)
