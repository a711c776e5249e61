"""Goal: damage that SQLite itself cannot put into words stops neither a start nor a backup.

Method: a name in the schema spoilt by bytes that are no text, so that they come back in the
message of every refusal.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from haunt.bootstrap import keeping
from haunt.bootstrap.mending import make_ready
from haunt.store import rescue
from haunt.store.backup import BackupRefused, rows_of
from tests.store.nights import config_of, lay, state_of


def spoilt(data: Path, *, backed_up: bool = False) -> Path:
    config = config_of(data)
    lay(config)
    database = data / "haunt.db"
    if backed_up:
        keeping.back_up(config)
    rescue.settle(database)
    raw = database.read_bytes()
    name, index = b"indexix_motions_at_msmotions", b"CREATE INDEX ix_motions_at_ms ON"
    assert raw.count(name) == raw.count(index) == 1
    raw = raw.replace(name, b"index" + b"\xb9" * 16 + b"motions")
    database.write_bytes(raw.replace(index, b"CREATE INDEX " + b"(" * 16 + b" ON"))
    assert len(database.read_bytes()) == len(raw)
    with (
        closing(sqlite3.connect(database)) as connection,
        pytest.raises(UnicodeDecodeError),
    ):
        connection.execute("SELECT count(*) FROM sqlite_master")
    return database


def test_it_is_found_to_be_damaged(tmp_path: Path) -> None:
    assert rescue.examine(spoilt(tmp_path)).trouble


def test_no_backup_of_it_is_made_and_that_is_said(tmp_path: Path) -> None:
    database = spoilt(tmp_path)

    with pytest.raises(BackupRefused, match="cannot be read"):
        rows_of(database)
    with pytest.raises(BackupRefused, match="no backup of"):
        keeping.back_up(config_of(tmp_path))


def test_a_start_puts_the_backup_in_its_place(tmp_path: Path) -> None:
    spoilt(tmp_path, backed_up=True)
    said = list[str]()
    make_ready(config_of(tmp_path), said.append)

    assert "restored is the backup" in said[0]
    state = state_of(config_of(tmp_path)).state
    assert state is not None
    assert state["night"]["stopped"]
