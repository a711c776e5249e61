"""Goal: a database is moved whole into an empty one of any kind, or not at all, and counts on.

Method: databases with rows in every table, moved in every direction; one that fails on the way.
"""

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from sqlalchemy import event, inspect, text

from haunt.bootstrap.folder import alone
from haunt.bootstrap.keeping import back_up, restore_now
from haunt.store.backup import BackupRefused
from haunt.store.engines import open_engines
from haunt.store.people import PeopleStore
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, revision
from haunt.store.transfer import move
from haunt.store.writer import Writer
from tests.store import earlier
from tests.store.nights import config_of, lay, state_of
from tests.store.stage import KINDS, bare_url_of, fresh_url


def url_in(folder: Path, kind: str, *, bare: bool = True) -> str:
    if kind == "sqlite":
        return f"sqlite:///{folder}/other.db"
    return bare_url_of(kind) if bare else fresh_url(kind)


@pytest.mark.parametrize("into", KINDS)
def test_every_row_of_every_table_is_on_the_other_side(
    tmp_path: Path, bare_url: str, into: str
) -> None:
    told: list[tuple[str, int]] = []
    other = open_engines(tmp_path, url_in(tmp_path, into))
    with earlier.of_revision(tmp_path, bare_url, HEAD) as (writing, _reading):
        before = earlier.rows_of(writing)
        counted = move(writing, other[0], lambda table, rows: told.append((table, rows)))
        assert earlier.rows_of(writing) == before, "what was moved from is as it was"

    assert earlier.rows_of(other[0]) == before
    assert {(each.table, each.there, each.here) for each in counted} == {
        (name, earlier.ROWS, earlier.ROWS) for name in before
    }
    assert told == [(each.table, each.here) for each in counted]
    assert revision(other[0]) == HEAD
    assert Writer(other[0]).save_show("text", "mara", 1) == earlier.ROWS + 1, "ids count on"
    assert PeopleStore(*other).add_person("Mara", "owner", "", 1) == earlier.ROWS + 1
    for each in other:
        each.dispose()


@pytest.mark.parametrize("into", KINDS)
def test_a_database_that_holds_something_is_refused_and_left_alone(
    tmp_path: Path, into: str
) -> None:
    lay(config_of(tmp_path), motions=5)
    source, other = open_engines(tmp_path), open_engines(tmp_path, url_in(tmp_path, into))
    with other[0].begin() as connection:
        connection.execute(text("CREATE TABLE guests (name TEXT)"))
        connection.execute(text("INSERT INTO guests VALUES ('Jory')"))

    with pytest.raises(StoreRefused, match=r"holds something already \(table guests\)"):
        move(source[0], other[0])

    with other[0].connect() as connection:
        assert inspect(connection).get_table_names() == ["guests"]
    for each in (*source, *other):
        each.dispose()


@pytest.mark.parametrize("into", KINDS)
def test_a_move_that_fails_on_the_way_leaves_nothing(tmp_path: Path, into: str) -> None:
    lay(config_of(tmp_path), motions=5)
    source, other = open_engines(tmp_path), open_engines(tmp_path, url_in(tmp_path, into))

    def fail(*words: object) -> None:
        if "INSERT INTO shows" in str(words[2]):
            raise OSError("the disk is full")

    event.listen(other[0], "before_cursor_execute", fail)
    with pytest.raises(OSError, match="the disk is full"):
        move(source[0], other[0])
    event.remove(other[0], "before_cursor_execute", fail)

    with other[0].connect() as connection:
        assert inspect(connection).get_table_names() == []
    assert sum(each.here for each in move(source[0], other[0])) > 20, "and then it goes"
    for each in (*source, *other):
        each.dispose()


def moved(data: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    line = [sys.executable, "-m", "haunt", "move", "--data", str(data), *words]
    return subprocess.run(line, capture_output=True, text=True, check=False)


def test_the_command_moves_a_folder_and_every_command_finds_it_there(tmp_path: Path) -> None:
    data, url = tmp_path / "data", fresh_url("postgresql")
    data.mkdir()
    lay(config_of(data), motions=30)
    (data / "haunt.toml").write_text('name = "haunt.local"\n')

    done = moved(data, "--to", url, "--json")

    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert (told["rows"]["motions"], told["rows"]["events"]) == (30, 34)
    settings = data / "haunt.toml"
    assert told["named_in"] == str(settings)
    assert settings.read_text() == f'database = "{url}"\nname = "haunt.local"\n'
    assert settings.stat().st_mode & 0o077 == 0, "there may be a password in it"
    (data / "haunt.db").unlink()
    line = [sys.executable, "-m", "haunt", "export", "--data", str(data)]
    shown = subprocess.run(line, capture_output=True, text=True, check=True)
    assert 'id = "yard"' in shown.stdout
    again = moved(data, "--to", url)
    assert (again.returncode, again.stdout) == (1, "")
    assert "it is in already" in again.stderr


def test_a_folder_that_a_server_has_is_not_moved(tmp_path: Path) -> None:
    lay(config_of(tmp_path), motions=5)

    with alone(tmp_path):
        done = moved(tmp_path, "--to", f"sqlite:///{tmp_path}/other.db")

    assert done.returncode == 1
    assert "another haunt runs on" in done.stderr
    assert not (tmp_path / "other.db").exists()


def test_a_backup_of_a_servers_database_comes_back_by_a_move(tmp_path: Path) -> None:
    data, url = tmp_path / "data", bare_url_of("postgresql")
    data.mkdir()
    config = replace(config_of(data), database=fresh_url("postgresql"))
    lay(config, motions=30)
    made = back_up(config)

    with pytest.raises(BackupRefused, match="haunt move --database sqlite:///") as refused:
        restore_now(config, made)
    named = str(refused.value).partition("--database ")[2].partition(" ")[0]
    done = moved(data, "--database", named, "--to", url)

    assert (made.rows["motions"], made.revision) == (30, HEAD)
    assert done.returncode == 0, done.stderr
    assert state_of(replace(config, database=url)) == state_of(config)
