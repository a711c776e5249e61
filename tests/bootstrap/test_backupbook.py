"""Goal: what pages do with backups is what the command line does, and nothing more is given away.

Method: a folder with a short night in it; archives are unpacked by tarfile and restored from.
"""

import json
import subprocess
import sys
import tarfile
import time
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest

from haunt.bootstrap import keeping
from haunt.bootstrap.backupbook import Backups
from haunt.bootstrap.keeping import Keeping, put_down, restore_now
from haunt.bootstrap.offline import open_store
from haunt.config import Config
from haunt.site.houseports import HouseRefused, Parcel
from haunt.store import backup
from haunt.store.people import PeopleStore
from tests.store.nights import config_of, lay, state_of

KEYS = {"credentials.json", "haunt.toml", "ca-key.pem", "server-key.pem"}


@pytest.fixture
def config(tmp_path: Path) -> Config:
    found = config_of(tmp_path / "data")
    lay(found, motions=3)
    (found.data / "broker").mkdir()
    (found.data / "broker" / "credentials.json").write_text('{"controller": "c", "hashes": {}}')
    (found.data / "haunt.toml").write_text('broker = "auto"\n')
    (found.data / "certs").mkdir()
    for name in ("ca.pem", "ca-key.pem", "server.pem", "server-key.pem"):
        (found.data / "certs" / name).write_text(name)
    return found


@pytest.fixture
def turns() -> list[str]:
    return []


@pytest.fixture
def book(config: Config, turns: list[str]) -> Backups:
    kept = Keeping(config, lambda _line: None)
    return Backups(config, kept, lambda: turns.append("again"), lambda: False)


def unpacked(parcel: Parcel, folder: Path) -> Iterator[str]:
    whole = b"".join(parcel.pieces)
    assert len(whole) == parcel.size_bytes
    with tarfile.open(fileobj=BytesIO(whole)) as archive:
        archive.extractall(folder, filter="data")
        yield from archive.getnames()


def test_a_backup_that_was_tried_says_so_and_the_command_line_marks_it_alike(
    config: Config, book: Backups
) -> None:
    made = book.back_up()
    assert made.tried_ms is None
    assert made.rows["motions"] == 3

    assert "works" in book.try_out(made.name)

    [again] = book.standing().copies
    assert again.tried_ms is not None
    assert again.tried_ms >= made.at_ms
    # The mark is no part of what is checked.
    backup.verify(keeping.chosen(config, made.name))


def test_a_damaged_backup_is_found_out_and_nothing_is_put_down_for_the_start(
    config: Config, book: Backups, turns: list[str]
) -> None:
    made = book.back_up()
    with (config.data / "backups" / made.name / "haunt.db").open("r+b") as file:
        file.seek(5000)
        file.write(b"damage")

    for attempt in (book.try_out, lambda name: book.restore(name, "mara")):
        with pytest.raises(HouseRefused, match=r"does not work.*is not as it was written"):
            attempt(made.name)

    assert book.standing().copies[0].tried_ms is None
    assert not (config.data / "restore-at-start").exists()
    assert turns == []


def test_going_back_is_weighed_by_what_is_there_now_and_by_who_could_sign_in(
    config: Config, book: Backups
) -> None:
    made = book.back_up()
    writing, reading = open_store(config)
    people = PeopleStore(writing, reading)
    people.add_person("Mara", "owner", "a hash", 1)
    people.add_person("Jory", "crew", "a hash", 1)
    people.add_person("Ada", "owner", "", 1)
    later = book.back_up()

    loss = book.loss(made.name)

    assert (loss.rows["people"], loss.copy.rows["people"], loss.owners) == (3, 0, ())
    # Ada has no password, so she cannot sign in by herself.
    assert book.loss(later.name).owners == ("Mara",)
    with pytest.raises(HouseRefused, match="no backup 'other'"):
        book.loss("other")


def test_a_restore_that_is_put_down_is_done_at_the_start_in_the_name_of_who_asked(
    config: Config, book: Backups
) -> None:
    made = book.back_up()
    assert "is put in place now" in book.restore(made.name, "Mara")
    lines: list[str] = []

    with keeping.keep(config, lines.append):
        pass

    assert any(f"restored is backup {made.name}" in line for line in lines)
    deeds = PeopleStore(*open_store(config)).logbook().items
    assert [(each["who"], each["what"], each["about"]) for each in deeds] == [
        ("Mara", "restore", made.name)
    ]


def test_a_restore_that_could_not_be_done_is_in_the_logbook_too(config: Config) -> None:
    made = keeping.back_up(config)
    put_down(config, made, "Mara")
    (made.path / "haunt.db").write_bytes(b"gone")

    with keeping.keep(config, lambda _line: None) as kept:
        assert "was not done" in kept.status().words[0]

    [deed] = PeopleStore(*open_store(config)).logbook().items
    assert deed["result"].startswith("refused: ")


def test_the_whole_of_a_backup_can_be_taken_away_and_restored_from(
    config: Config, book: Backups, tmp_path: Path
) -> None:
    made = book.back_up()
    names = list(unpacked(book.parcel(made.name, with_keys=True), tmp_path / "away"))
    new = config_of(tmp_path / "new")

    restore_now(new, keeping.chosen(new, made.name, tmp_path / "away"))

    assert {each.partition("/")[2] for each in names} >= KEYS
    assert state_of(new).number == state_of(config).number + 1  # the stop after a restore
    assert (new.data / "broker" / "credentials.json").exists()


def test_without_its_keys_it_still_is_a_backup_that_can_be_checked(
    book: Backups, tmp_path: Path
) -> None:
    made = book.back_up()
    names = list(unpacked(book.parcel(made.name, with_keys=False), tmp_path / "away"))

    assert {each.partition("/")[2] for each in names} == {
        "backup.json",
        "haunt.db",
        "ca.pem",
        "server.pem",
    }
    backup.verify(backup.named(tmp_path / "away", made.name))
    sums = json.loads((tmp_path / "away" / made.name / "backup.json").read_text())["sums"]
    assert not KEYS & set(sums)


def test_the_archive_is_one_that_the_systems_own_tar_reads(book: Backups, tmp_path: Path) -> None:
    made = book.back_up()
    (tmp_path / "it.tar").write_bytes(b"".join(book.parcel(made.name, with_keys=True).pieces))

    told = subprocess.run(
        ["tar", "tf", tmp_path / "it.tar"], check=True, capture_output=True, text=True
    )

    assert f"{made.name}/haunt.db" in told.stdout.splitlines()
    assert told.stderr == ""


def test_a_server_that_is_told_to_end_waits_for_no_try(config: Config) -> None:
    made = keeping.back_up(config)
    endless = (sys.executable, "-c", "import time; time.sleep(60)")
    book = Backups(config, Keeping(config, lambda _line: None), lambda: None, lambda: True, endless)
    began = time.monotonic()

    with pytest.raises(HouseRefused, match="the server is ending"):
        book.restore(made.name, "Mara")

    assert time.monotonic() - began < 10
    assert not (config.data / "restore-at-start").exists()


def test_starting_anew_is_left_to_the_server(book: Backups, turns: list[str]) -> None:
    book.again()

    assert turns == ["again"]
