"""Goal: a backup is one instant of the database, never trusted unchecked, never fills a disk.

Method: real SQLite files; the room on the disk and the time are told.
"""

import json
import sqlite3
import threading
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.bootstrap.keeping import is_due
from haunt.store import backup
from haunt.store.backup import RESERVE_BYTES, Backup, BackupRefused
from haunt.store.engines import open_engines
from haunt.store.journal import SqlJournal
from haunt.store.ledger import Ledger
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, revision
from haunt.store.schema import upgrade
from haunt.store.thinning import WHYS, thin, worth_keeping
from tests.core.stage import EVENING
from tests.store.flaky import whole
from tests.store.stage import Heard, Opened, record
from tests.store.test_upgrades import FIRST, of_the_first

HOUR_MS = 3_600_000


@pytest.fixture
def kind() -> str:
    return "sqlite"  # a backup of this kind is a copy of a file


def plenty(_folder: Path) -> int:
    return 10 * RESERVE_BYTES


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(path)) as connection:
        return list(connection.iterdump())


def test_a_backup_holds_all_that_was_committed_and_says_how_much(
    database: Opened, tmp_path: Path
) -> None:
    ledger = Ledger(database.writing)
    ledger.write([whole(number) for number in range(1, 301)])
    extra = tmp_path / "credentials.json"
    extra.write_text("{}")

    made = backup.take(database.path, tmp_path / "b", EVENING, "hand", also=[extra], free=plenty)

    assert made.name == "20261101T170000Z-hand"
    assert dump(made.database) == dump(database.path)
    assert (made.rows["events"], made.rows["decisions"], made.revision) == (300, 600, HEAD)
    assert (made.path / "credentials.json").read_text() == "{}"
    assert backup.found_in(tmp_path / "b") == [made]
    backup.verify(made)
    assert {each.name for each in made.path.iterdir()} == {*made.sums, "backup.json"}
    ledger.close()


def test_a_backup_under_load_is_one_instant_and_holds_nobody_up(
    database: Opened, tmp_path: Path
) -> None:
    heard, journal = Heard(), SqlJournal(database.writing)
    journal.start(heard)
    for number in range(1, 4001):
        journal.put(record(number))
    heard.wait_for(kept=4000)
    stop = threading.Event()

    def write_on() -> None:
        number = 4000
        while not stop.is_set():
            if journal.counts().backlog < 200:
                number += 1
                journal.put(record(number))

    writing = threading.Thread(target=write_on)
    writing.start()
    try:
        made = [
            backup.take(database.path, tmp_path / "b", EVENING, "hand", free=plenty)
            for _ in range(5)
        ]
    finally:
        stop.set()
        writing.join()
        journal.close()

    assert made[-1].rows["events"] > 4000
    for each in made:
        assert each.rows["events"] == each.rows["motions"] == each.rows["decisions"]
        with closing(sqlite3.connect(each.database)) as copy:
            numbers = [row[0] for row in copy.execute("SELECT number FROM events ORDER BY number")]
        assert numbers == list(range(1, len(numbers) + 1))
    assert journal.counts().lost == 0


def test_no_backup_is_made_where_it_would_leave_too_little(
    database: Opened, tmp_path: Path
) -> None:
    folder = tmp_path / "b"

    with pytest.raises(BackupRefused, match=r"the disk is low: .* must leave 200 MB .*make room"):
        backup.take(database.path, folder, EVENING, "hand", free=lambda _folder: RESERVE_BYTES)

    assert backup.found_in(folder) == []


def test_what_a_crash_left_half_made_is_no_backup_and_is_cleared(
    database: Opened, tmp_path: Path
) -> None:
    half = tmp_path / "b" / "20261101T160000Z-scheduled.new"
    half.mkdir(parents=True)
    (half / "backup.json").write_text("{}")

    assert backup.found_in(tmp_path / "b") == []
    backup.take(database.path, tmp_path / "b", EVENING, "hand", free=plenty)

    assert not half.exists()


def test_a_damaged_database_makes_no_backup(tmp_path: Path) -> None:
    path = tmp_path / "haunt.db"
    path.write_bytes(b"rubbish" * 1000)

    with pytest.raises(BackupRefused, match="file is not a database"):
        backup.take(path, tmp_path / "b", EVENING, "hand", free=plenty)

    assert [each.name for each in (tmp_path / "b").iterdir()] == ["lock"]


@pytest.mark.parametrize("spoil", ["flip", "cut", "gone"])
def test_a_backup_that_has_rotted_is_refused(database: Opened, tmp_path: Path, spoil: str) -> None:
    made = backup.take(database.path, tmp_path / "b", EVENING, "hand", free=plenty)
    raw = bytearray(made.database.read_bytes())
    if spoil == "flip":
        raw[len(raw) // 2] ^= 1
        made.database.write_bytes(raw)
    elif spoil == "cut":
        made.database.write_bytes(raw[:-1])
    else:
        made.database.unlink()

    with pytest.raises(BackupRefused, match=f"backup {made.name}"):
        backup.verify(made)


def test_a_manifest_that_cannot_be_read_names_no_backup(database: Opened, tmp_path: Path) -> None:
    made = backup.take(database.path, tmp_path / "b", EVENING, "hand", free=plenty)
    for spoilt in ("", "[]", '{"at_ms": 1}', json.dumps({"at_ms": "x", "why": 1})):
        (made.path / "backup.json").write_text(spoilt)
        assert backup.found_in(tmp_path / "b") == []
    with pytest.raises(BackupRefused, match="has no backup 'x'; the newest are: none"):
        backup.named(tmp_path / "b", "x")


def listed(at_ms: int, why: str = "scheduled", size: int = 1) -> Backup:
    return Backup(Path(f"{at_ms:014}-{why}"), at_ms, why, size, HEAD, {}, {})


def test_a_month_of_hourly_backups_thins_to_a_day_of_hours_and_a_fortnight() -> None:
    month = [listed(EVENING + hour * HOUR_MS) for hour in range(30 * 24)]

    kept = [(each.at_ms - EVENING) // HOUR_MS for each in worth_keeping(month)]

    last = 30 * 24 - 1
    assert kept[:24] == list(range(last, last - 24, -1))
    assert len(kept) == 24 + 12  # the newest two days are among the hours
    assert {a - b for a, b in pairwise(kept[24:])} == {24}


@given(
    st.lists(
        st.tuples(st.integers(0, 60 * 24 * HOUR_MS), st.sampled_from(sorted(WHYS))),
        max_size=120,
        unique=True,
    )
)
def test_however_they_lie_the_newest_stays_and_the_number_is_bounded(
    taken: list[tuple[int, str]],
) -> None:
    there = [listed(at_ms, why) for at_ms, why in taken]

    kept = worth_keeping(there)

    assert len(kept) <= 24 + 14 + 3 * 5
    for why in WHYS:
        of_kind = [each for each in there if each.why == why]
        if of_kind:
            assert max(of_kind, key=lambda each: each.at_ms) in kept
    assert worth_keeping(kept) == kept


def test_thinning_holds_the_bytes_and_spares_the_one_just_made(
    database: Opened, tmp_path: Path
) -> None:
    folder = tmp_path / "b"
    made = [
        backup.take(database.path, folder, EVENING + hour * HOUR_MS, "scheduled", free=plenty)
        for hour in (5, 1, 2, 3)
    ]
    late = backup.take(database.path, folder, 0, "scheduled", free=plenty)  # a clock set back

    gone = thin(folder, keep=late.name, total_bytes_max=2 * made[0].size_bytes)

    assert sorted(gone) == sorted(each.name for each in made[1:])
    assert [each.name for each in backup.found_in(folder)] == [made[0].name, late.name]


def test_backups_by_hand_do_not_push_out_the_newest_scheduled_one(
    database: Opened, tmp_path: Path
) -> None:
    folder = tmp_path / "b"
    backup.take(database.path, folder, EVENING - HOUR_MS, "scheduled", free=plenty)
    hourly = backup.take(database.path, folder, EVENING, "scheduled", free=plenty)
    room = 2 * hourly.size_bytes
    for minute in range(1, 4):
        made = backup.take(database.path, folder, EVENING + minute * 60_000, "hand", free=plenty)
        thin(folder, keep=made.name, total_bytes_max=room)

    assert [each.name for each in backup.found_in(folder)] == [made.name, hourly.name]
    assert not is_due(backup.found_in(folder), EVENING + 4 * 60_000)
    thin(folder, keep=made.name, total_bytes_max=1)
    assert [each.name for each in backup.found_in(folder)] == [made.name, hourly.name]


def test_a_database_is_backed_up_before_it_is_brought_to_a_newer_schema(tmp_path: Path) -> None:
    with of_the_first(tmp_path) as (writing, _reader):
        upgrade(writing)

        [made] = backup.found_in(tmp_path / "backups")
        assert (made.why, made.revision, made.rows["snapshots"]) == ("upgrade", FIRST, 1)
        assert revision(writing) == HEAD
        upgrade(writing)
        assert len(backup.found_in(tmp_path / "backups")) == 1


def test_without_a_backup_there_is_no_upgrade(tmp_path: Path) -> None:
    (tmp_path / "backups").write_text("in the way")
    with of_the_first(tmp_path) as (writing, reader):
        with pytest.raises(StoreRefused, match=r"was not brought to .* no backup could be made"):
            upgrade(writing)

        assert revision(writing) == FIRST
        assert reader.show() == (2, "text")


def test_a_fresh_database_needs_no_backup(tmp_path: Path) -> None:
    writing, _reading = open_engines(tmp_path)

    upgrade(writing)

    assert not (tmp_path / "backups").exists()
