"""Goal: nights kept by any older program are there after an upgrade, which is whole or not at all.

Method: databases of either kind made by the scripts up to each number, with rows in every table,
held against what was kept of that number when it was new; one of the first number filled by hand,
for what its rows mean afterwards.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from sqlalchemy import Engine, Table, inspect, text

from haunt.store import backup
from haunt.store.engines import open_engines
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, bring_to, revision
from haunt.store.schema import upgrade
from tests.store import earlier
from tests.store.stage import KINDS, bare_url_of

FIRST = "0001"
Rows = dict[str, list[dict[str, Any]]]


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


class Upgraded(NamedTuple):
    """What was in a database of a number, and what is after its upgrade, the copy beside it."""

    kind: str
    number: str
    shape: list[str]
    tables: dict[str, Table]
    before: Rows
    after: Rows
    backups: Path
    writing: Engine
    reading: Engine


@pytest.fixture(
    scope="module",
    params=[(kind, each) for kind in KINDS for each in earlier.numbers()[:-1]],
    ids="-".join,
)
def upgraded(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Upgraded]:
    kind, number = request.param
    data = tmp_path_factory.mktemp(number)
    with earlier.of_revision(data, bare_url_of(kind), number) as (writing, reading):
        with writing.connect() as connection:
            shape = earlier.shape_of(connection)
        tables, before = earlier.tables_of(writing), earlier.rows_of(writing)
        upgrade(writing, data / "backups")
        after = earlier.rows_of(writing)
        yield Upgraded(
            kind, number, shape, tables, before, after, data / "backups", writing, reading
        )


def test_the_scripts_up_to_a_number_make_what_they_made_when_they_were_new(
    upgraded: Upgraded,
) -> None:
    assert upgraded.shape == earlier.kept_shape(upgraded.kind, upgraded.number)


def test_of_every_earlier_number_all_rows_are_there_afterwards(upgraded: Upgraded) -> None:
    before, after = upgraded.before, upgraded.after
    assert all(len(rows) == earlier.ROWS for rows in before.values())
    assert revision(upgraded.writing) == HEAD
    Reader(upgraded.reading).look_into_all()
    assert {name: len(rows) for name, rows in before.items()} == {
        name: len(after[name]) for name in before
    }
    for name, rows in before.items():
        kept = set(rows[0]) & set(after[name][0])
        if name == "alerts":  # an alert of before its number counted otherwise
            kept -= {"alert", "since_ms", "last_ms"} if upgraded.number < "0003" else set()
        for old, new in zip(rows, after[name], strict=True):
            assert {column: old[column] for column in kept} == {c: new[c] for c in kept}


def test_what_is_new_begins_empty(upgraded: Upgraded) -> None:
    made = {name: rows for name, rows in upgraded.after.items() if name not in upgraded.before}
    filled = {name for name, rows in made.items() if rows}

    assert filled <= {"journal_end"}, "where the journal ended, worked out of the events"


def test_a_copy_of_what_was_there_is_made_before(upgraded: Upgraded, tmp_path: Path) -> None:
    before = upgraded.before
    [made] = backup.found_in(upgraded.backups)
    backup.verify(made)

    assert (made.why, made.revision) == ("upgrade", upgraded.number)
    assert made.rows == {name: len(rows) for name, rows in before.items()} | {earlier.VERSIONS: 1}
    copied, reading = open_engines(tmp_path, f"sqlite:///{made.database}")
    assert earlier.rows_of(copied) == before
    upgrade(copied)  # it opens as any other
    copied.dispose()
    reading.dispose()


def test_who_runs_the_show_writes_on_while_one_that_stands_by_has_brought_the_schema(
    upgraded: Upgraded,
) -> None:
    gone = {"snapshots.clean": "0002"}  # from before there could be two servers on a database
    tables = {
        name: table
        for name, table in upgraded.tables.items()
        if not any(f"{name}.{c.name}" in gone for c in table.c)
    }
    with upgraded.writing.begin() as connection:
        earlier.fill(connection, tables, earlier.LATER)

    now = {name: len(rows) for name, rows in earlier.rows_of(upgraded.writing).items()}
    assert {name: now[name] for name in tables} == dict.fromkeys(tables, 2 * earlier.ROWS)


@pytest.mark.parametrize("told", ["0008a", "", "first"])
def test_a_version_that_nobody_made_is_refused_in_words_and_nothing_is_changed(
    tmp_path: Path, url: str, told: str
) -> None:
    with earlier.of_revision(tmp_path, url, "0008") as (writing, _reading):
        before = earlier.rows_of(writing)
        with writing.begin() as connection:
            wanted = text("UPDATE alembic_version SET version_num = :told")
            connection.execute(wanted, {"told": told})

        with pytest.raises(StoreRefused, match=f"of version '{told}', which no program of ours"):
            upgrade(writing, tmp_path / "backups")

        assert earlier.rows_of(writing) == before
        assert revision(writing) == told
    assert not (tmp_path / "backups").exists()


def test_there_is_no_way_back_but_the_copy(tmp_path: Path, url: str) -> None:
    """An older program on what a newer one made: the same refusal with every number ahead."""
    with earlier.of_revision(tmp_path, url, HEAD) as (writing, _reading):
        before = earlier.rows_of(writing)
        ahead = f"{int(HEAD) + 1:04}"
        with writing.begin() as connection:
            connection.execute(text("ALTER TABLE shows ADD COLUMN later TEXT"))
            connection.execute(text(f"UPDATE alembic_version SET version_num = '{ahead}'"))

        with pytest.raises(StoreRefused, match=rf"newer version \({ahead}\) than this program"):
            upgrade(writing, tmp_path / "backups")

        after = earlier.rows_of(writing)
    assert [row.pop("later") for row in after["shows"]] == [None] * earlier.ROWS
    assert after == before
    assert not (tmp_path / "backups").exists()


def test_what_an_older_program_kept_is_there_after_the_upgrade(tmp_path: Path, url: str) -> None:
    with of_the_first(tmp_path, url) as (writing, reader):
        upgrade(writing, tmp_path / "backups")

        assert revision(writing) == HEAD
        assert reader.latest_snapshot() == (7, 2, {"n": 7})
        assert list(reader.events_after(7)) == [(8, 80, 800, "Ticked", "{}")]
        assert reader.show() == (2, "text")
        assert reader.last_stamp() == (8, 80, 800)
        assert [each["key"] for each in reader.alerts(since_ms=800).items] == ["k"]


def test_an_alert_of_before_is_ended_by_what_cleared_it(tmp_path: Path, url: str) -> None:
    with of_the_first(tmp_path, url) as (writing, _reader):
        with writing.begin() as connection:
            for number, at_ms, key, state in (
                (2, 810, "other", "raised"),
                (3, 820, "k", "cleared"),
                (4, 830, "k", "raised"),
                (5, 840, "stray", "cleared"),
            ):
                row = f"({number}, {at_ms}, '{key}', '{state}', 'words')"
                connection.exec_driver_sql(f"INSERT INTO alerts VALUES {row}")
        upgrade(writing, tmp_path / "backups")
        with writing.connect() as connection:
            found = connection.execute(text("SELECT id, alert FROM alerts ORDER BY id")).all()

    assert [tuple(each) for each in found] == [(1, 1), (2, 2), (3, 1), (4, 4), (5, 5)]


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
