"""Goal: nights kept by any older program are there after an upgrade, which is whole or not at all.

Method: databases of either kind made by the scripts up to each number, with rows in every table;
one of the first number filled by hand, for what its rows mean afterwards.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, inspect, text

from haunt.store import backup
from haunt.store.engines import StoreRefused, open_engines
from haunt.store.reader import Reader
from haunt.store.schema import HEAD, bring_to, revision, upgrade
from tests.store import earlier

FIRST = "0001"


@contextmanager
def of_the_first(data: Path, url: str = "") -> Iterator[tuple[Engine, Reader]]:
    writing, reading = open_engines(data, url)
    try:
        with writing.begin() as connection:
            bring_to(connection, FIRST)
            for each in (
                "snapshots VALUES (7, 70, 700, 2, false, '{\"n\":7}')",
                "events VALUES (8, 80, 800, 'Ticked', '{}')",
                "shows VALUES (2, 1, 'mara', 'text')",
                "alerts VALUES (1, 800, 'k', 'raised', 'words')",
            ):
                connection.exec_driver_sql(f"INSERT INTO {each}")
        yield writing, Reader(reading)
    finally:
        writing.dispose()
        reading.dispose()


@pytest.fixture
def url(bare_url: str) -> str:
    return bare_url


@pytest.mark.parametrize("number", earlier.numbers()[:-1])
def test_of_every_earlier_number_all_rows_are_there_afterwards(
    tmp_path: Path, url: str, number: str
) -> None:
    with earlier.of_revision(tmp_path, url, number) as (writing, reading):
        before = earlier.rows_of(writing)
        assert all(len(rows) == earlier.ROWS for rows in before.values())

        upgrade(writing, tmp_path / "backups")

        after = earlier.rows_of(writing)
        Reader(reading).look_into_all()
        assert revision(writing) == HEAD
    assert {name: len(rows) for name, rows in before.items()} == {
        name: len(after[name]) for name in before
    }
    for name, rows in before.items():
        kept = set(rows[0]) & set(after[name][0])
        if name == "alerts":  # an alert of before its number counted otherwise
            kept -= {"alert", "since_ms", "last_ms"} if number < "0003" else set()
        for old, new in zip(rows, after[name], strict=True):
            assert {column: old[column] for column in kept} == {c: new[c] for c in kept}


@pytest.mark.parametrize("number", earlier.numbers()[:-1])
def test_a_copy_of_what_was_there_is_made_before(tmp_path: Path, url: str, number: str) -> None:
    with earlier.of_revision(tmp_path, url, number) as (writing, _reading):
        before = earlier.rows_of(writing)

        upgrade(writing, tmp_path / "backups")

    [made] = backup.found_in(tmp_path / "backups")
    backup.verify(made)
    assert (made.why, made.revision) == ("upgrade", number)
    assert made.rows == {name: len(rows) for name, rows in before.items()} | {earlier.VERSIONS: 1}
    copied, reading = open_engines(tmp_path, f"sqlite:///{made.database}")
    assert earlier.rows_of(copied) == before
    upgrade(copied)  # it opens as any other
    copied.dispose()
    reading.dispose()


def test_what_an_older_program_kept_is_there_after_the_upgrade(tmp_path: Path, url: str) -> None:
    with of_the_first(tmp_path, url) as (writing, reader):
        upgrade(writing, tmp_path / "backups")

        assert revision(writing) == HEAD
        assert reader.latest_snapshot() == (7, 2, {"n": 7})
        assert list(reader.events_after(7)) == [(8, 80, 800, "Ticked", "{}")]
        assert reader.show() == (2, "text")
        assert reader.last_stamp() == (8, 80, 800)
        assert [each["key"] for each in reader.alerts(since_ms=800).items] == ["k"]


def test_an_upgrade_that_fails_leaves_the_old_database_whole(tmp_path: Path, url: str) -> None:
    with of_the_first(tmp_path, url) as (writing, reader):
        with writing.begin() as connection:
            connection.execute(text("DROP TABLE reports"))  # the script wants an index on it

        with pytest.raises(StoreRefused, match=r"no such table|does not exist"):
            upgrade(writing, tmp_path / "backups")

        assert revision(writing) == FIRST
        with writing.connect() as connection:
            [clean] = connection.execute(text("SELECT clean FROM snapshots")).one()
            tables = inspect(connection).get_table_names()
        assert not clean
        assert "journal_end" not in tables
        assert reader.show() == (2, "text")


def test_without_a_copy_there_is_no_upgrade(tmp_path: Path, url: str) -> None:
    (tmp_path / "backups").write_text("in the way")
    with of_the_first(tmp_path, url) as (writing, reader):
        with pytest.raises(StoreRefused, match=r"was not brought to .* no backup could be made"):
            upgrade(writing, tmp_path / "backups")

        assert revision(writing) == FIRST
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
