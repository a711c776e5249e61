"""Goal: an old database becomes a new one, and what is none of ours is refused in words.

Method: alembic itself compares what the scripts made with what the tables say.
"""

from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

from haunt.store.engines import open_engines
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, SCRIPTS, revision
from haunt.store.schema import upgrade
from haunt.store.tables import metadata
from tests.store.stage import Opened


def test_the_newest_revision_known_is_the_newest_script() -> None:
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS))

    assert ScriptDirectory.from_config(config).get_heads() == [HEAD]


def test_the_scripts_make_exactly_the_tables(database: Opened) -> None:
    with database.writing.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})

        assert compare_metadata(context, metadata) == []
    with database.writing.connect() as connection:
        found = set(inspect(connection).get_table_names())
    assert found == {*metadata.tables, "alembic_version"}


def test_a_second_upgrade_changes_nothing(database: Opened) -> None:
    version = database.writer.save_show("text", "mara", 1)
    upgrade(database.writing)

    assert revision(database.writing) == HEAD
    assert database.reader.show() == (version, "text")


def test_a_newer_database_is_refused_in_words_and_left_alone(database: Opened) -> None:
    database.do("UPDATE alembic_version SET version_num = '0999'")

    with pytest.raises(StoreRefused, match=r"newer version \(0999\).*restore a backup"):
        upgrade(database.writing)

    assert revision(database.writing) == "0999"


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    rubbish = b"not a database at all, " * 400
    (tmp_path / "haunt.db").write_bytes(rubbish)
    writing, reading = open_engines(tmp_path)

    with pytest.raises(StoreRefused, match="file is not a database"):
        upgrade(writing)

    assert (tmp_path / "haunt.db").read_bytes() == rubbish
    writing.dispose()
    reading.dispose()


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    writing, reading = open_engines(tmp_path)
    with writing.begin() as connection:
        connection.execute(text("CREATE TABLE shows (title TEXT)"))

    with pytest.raises(StoreRefused, match="shows already exists"):
        upgrade(writing)

    assert revision(writing) is None
    writing.dispose()
    reading.dispose()


@pytest.mark.parametrize("url", ["mysql://here/there", "nonsense", "sqlite+nothing:///x"])
def test_a_database_of_another_kind_is_refused_in_words(tmp_path: Path, url: str) -> None:
    with pytest.raises(StoreRefused, match="database"):
        open_engines(tmp_path, url)


def test_the_reader_cannot_write(database: Opened) -> None:
    with (
        database.reader._engine.connect() as connection,
        pytest.raises(Exception, match=r"readonly database|read-only transaction"),
    ):
        connection.execute(text("DELETE FROM shows"))
