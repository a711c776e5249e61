"""Goal: nights kept by an older program are there after an upgrade, which is whole or not at all.

Method: a database made by the first script alone and filled by hand.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import Engine, text

from haunt.store.engines import StoreRefused, open_engines
from haunt.store.reader import Reader
from haunt.store.schema import HEAD, SCRIPTS, revision, upgrade

FIRST = "0001"


@contextmanager
def of_the_first(data: Path) -> Iterator[tuple[Engine, Reader]]:
    writing, reading = open_engines(data)
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS))
    with writing.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, FIRST)
    with writing.begin() as connection:
        connection.exec_driver_sql("INSERT INTO snapshots VALUES (7, 70, 700, 2, 0, '{\"n\":7}')")
        connection.execute(text("INSERT INTO events VALUES (8, 80, 800, 'Ticked', '{}')"))
        connection.execute(text("INSERT INTO shows VALUES (2, 1, 'mara', 'text')"))
        connection.execute(text("INSERT INTO alerts VALUES (1, 800, 'k', 'raised', 'words')"))
    yield writing, Reader(reading)
    reading.dispose()


def test_what_an_older_program_kept_is_there_after_the_upgrade(tmp_path: Path) -> None:
    with of_the_first(tmp_path) as (writing, reader):
        upgrade(writing)

        assert revision(writing) == HEAD
        assert reader.latest_snapshot() == (7, 2, {"n": 7})
        assert list(reader.events_after(7)) == [(8, 80, 800, "Ticked", "{}")]
        assert reader.show() == (2, "text")
        assert reader.last_stamp() == (8, 80, 800)
        assert [each["key"] for each in reader.alerts(since_ms=800).items] == ["k"]


def test_an_upgrade_that_fails_leaves_the_old_database_whole(tmp_path: Path) -> None:
    with of_the_first(tmp_path) as (writing, reader):
        with writing.begin() as connection:
            connection.execute(text("DROP TABLE reports"))  # the script wants an index on it

        with pytest.raises(StoreRefused, match="no such table"):
            upgrade(writing)

        assert revision(writing) == FIRST
        with writing.connect() as connection:
            [clean] = connection.execute(text("SELECT clean FROM snapshots")).one()
            tables = connection.execute(text("SELECT name FROM sqlite_master")).scalars().all()
        assert clean == 0
        assert "journal_end" not in tables
        assert reader.show() == (2, "text")


def test_a_database_up_to_date_is_opened_without_loading_alembic(tmp_path: Path) -> None:
    writing, _reading = open_engines(tmp_path)
    upgrade(writing)
    program = """
import sys
from pathlib import Path
from haunt.store.engines import open_engines
from haunt.store.schema import upgrade
upgrade(open_engines(Path(sys.argv[1]))[0])
print("alembic" in sys.modules)
"""
    told = subprocess.run(
        [sys.executable, "-c", program, tmp_path], capture_output=True, text=True, check=True
    )

    assert told.stdout == "False\n"
