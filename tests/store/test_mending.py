"""Goal: whatever became of the files, a start finds a state to go on from, or says what to do.

Method: a short night laid by the real arbiter, damaged by hand in every part, then made ready as
`serve` does it. After any loss the show must be stopped and the words must say what is missing.
"""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from haunt.bootstrap import keeping
from haunt.bootstrap.mending import make_ready
from haunt.bootstrap.offline import BACKUPS, open_store
from haunt.config import Config
from haunt.store import backup, rescue
from haunt.store.backup import BackupRefused
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from tests.store.nights import SHOW, config_of, lay, state_of

LAST = 64  # the number of the last event that `lay` writes
PAGE = 4096
STRIDE = 1 if os.environ.get("HAUNT_LONG") else 4
LOG = ("haunt.db-wal", "haunt.db-shm")


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("night") / "data"
    lay(config_of(found))
    return found


@pytest.fixture
def config(night: Path, tmp_path: Path) -> Config:
    shutil.copytree(night, tmp_path / "data")
    return config_of(tmp_path / "data")


def database(config: Config) -> Path:
    return config.data / "haunt.db"


def ready(config: Config) -> str:
    """Return the words, once and together; every one was said too."""
    said: list[str] = []
    words = make_ready(config, said.append)
    assert said == [f"haunt: {each}" for each in words]
    assert len(words) <= 1
    return "".join(words)


def is_stopped(config: Config) -> bool:
    state = state_of(config).state
    return state is not None and state["night"]["stopped"] is True


def is_held(config: Config) -> bool:
    state = state_of(config).state
    assert state is not None
    return bool(state["props"]["keeper"]["held_by"])


def change(config: Config, statement: str) -> None:
    with closing(sqlite3.connect(database(config))) as connection:
        connection.execute(statement)
        connection.commit()


def alerts(config: Config) -> list[str]:
    writing, reading = open_store(config)
    found = [str(each["text"]) for each in Reader(reading).alerts().items]
    writing.dispose()
    reading.dispose()
    return found


def late(config: Config) -> int:
    """How much is there that came after the backup, or is in the log."""
    with closing(sqlite3.connect(database(config))) as connection:
        found: int = connection.execute(
            "SELECT count(*) FROM settings WHERE key LIKE 'late%'"
        ).fetchone()[0]
    return found


def test_a_sound_database_is_left_as_it_is(config: Config) -> None:
    before = database(config).read_bytes()

    assert ready(config) == ""

    assert database(config).read_bytes() == before
    assert is_held(config)
    assert not is_stopped(config)
    assert not (config.data / rescue.SET_ASIDE).exists()


def test_a_first_start_has_nothing_to_mend(tmp_path: Path) -> None:
    assert ready(config_of(tmp_path)) == ""


def rubbish(path: Path) -> None:
    path.write_bytes(b"rubbish, " * 9000)


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: 5 * PAGE])


def emptied(path: Path) -> None:
    path.write_bytes(b"\0" * path.stat().st_size)


def inner_pages(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    for page in range(3, len(raw) // PAGE, 2):
        raw[page * PAGE : page * PAGE + 100] = b"\xff" * 100
    path.write_bytes(raw)


DAMAGE = [rubbish, cut, emptied, inner_pages]


@pytest.mark.parametrize("damage", DAMAGE)
def test_a_damaged_file_is_set_aside_and_the_newest_backup_restored(
    config: Config, damage: Callable[[Path], None]
) -> None:
    made = keeping.back_up(config)
    damage(database(config))
    spoilt = database(config).read_bytes()

    words = ready(config)

    assert f"restored is the backup {made.name}" in words
    assert "is missing here" in words
    assert is_stopped(config)
    assert is_held(config)
    [aside] = (config.data / rescue.SET_ASIDE).iterdir()
    assert (aside / "haunt.db").read_bytes() == spoilt
    assert alerts(config) == [words]
    assert ready(config) == ""  # and the next start is as any other


def test_a_backup_that_is_damaged_too_is_passed_over_for_an_older_one(config: Config) -> None:
    old = keeping.back_up(config, now_ms=1)
    new = keeping.back_up(config)
    rubbish(new.database)
    rubbish(database(config))

    assert f"restored is the backup {old.name}" in ready(config)


def test_without_a_backup_the_show_is_read_out_of_the_damaged_file(config: Config) -> None:
    change(config, "DELETE FROM snapshots")
    with closing(sqlite3.connect(database(config))) as connection:
        [(root,)] = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'events'"
        ).fetchall()
    raw = bytearray(database(config).read_bytes())
    raw[(root - 1) * PAGE : root * PAGE] = b"\xff" * PAGE
    database(config).write_bytes(raw)

    words = ready(config)

    assert "no backup of it works. A new one was begun with the show alone" in words
    assert is_stopped(config)
    writing, reading = open_store(config)
    assert Reader(reading).show() == (1, SHOW)
    assert Reader(reading).setting("seed") == "7"
    writing.dispose()
    reading.dispose()


def test_with_nothing_to_go_on_it_says_what_to_do_and_touches_nothing(config: Config) -> None:
    rubbish(database(config))

    with pytest.raises(StoreRefused, match=r"cannot be used.*no backup.*start with --show FILE"):
        make_ready(config, lambda _line: None)

    assert database(config).read_bytes().startswith(b"rubbish")


def test_a_show_file_given_at_the_start_is_enough_to_begin_anew(config: Config) -> None:
    rubbish(database(config))
    with_show = config_of(config.data, show=config.data / "show.toml")

    words = ready(with_show)

    assert "was damaged" in words
    assert rescue.examine(database(config)).trouble == ""


STATE = [
    "UPDATE snapshots SET body = '{' || body WHERE number = 60",
    "UPDATE snapshots SET body = '{}' WHERE number = 60",
    "UPDATE snapshots SET body = CAST(X'80ff' AS TEXT) WHERE number = 60",
    "UPDATE snapshots SET body = replace(body, 'keeper', 'keeper2') WHERE number >= 0",
    "UPDATE events SET body = 'x' WHERE number = 62",
    "UPDATE events SET kind = 'Nothing' WHERE number = 62",
    "UPDATE events SET body = '{\"board\":1}' WHERE number = 62",
    "UPDATE settings SET value = 'x' WHERE key = 'seed'",
    "DELETE FROM shows",
]


@pytest.mark.parametrize("spoil", STATE)
def test_a_state_that_cannot_be_rebuilt_goes_back_as_far_as_it_must(
    config: Config, spoil: str
) -> None:
    keeping.back_up(config)
    change(config, spoil)

    words = ready(config)

    if "keeper2" in spoil:  # ids that the show does not have are dropped: nothing fails
        assert words == ""
    else:
        assert is_stopped(config)
        assert is_held(config)
        assert "earlier snapshot" in words or "restored is the backup" in words
    assert ready(config) == ""


def test_a_newest_snapshot_that_rotted_costs_no_event(config: Config) -> None:
    change(config, "UPDATE snapshots SET body = 'x' WHERE number = 60")

    words = ready(config)

    assert "no event was lost" in words
    assert is_held(config)
    assert state_of(config).number == LAST + 1  # the stop


def test_a_database_of_a_newer_program_is_left_alone(config: Config) -> None:
    keeping.back_up(config)
    change(config, "UPDATE alembic_version SET version_num = '0999'")

    assert ready(config) == ""
    with pytest.raises(StoreRefused, match="newer version"):
        open_store(config)


# --- the log


@pytest.fixture
def crashed(config: Config, tmp_path: Path) -> Config:
    """The folder as a killed server leaves it: the log holds the newest commits."""
    with closing(sqlite3.connect(database(config))) as connection:
        connection.execute("PRAGMA wal_autocheckpoint=0")
        for number in range(1, 11):
            late = f"late {number}"
            connection.execute("INSERT INTO settings (key, value) VALUES (?, 'x')", (late,))
            connection.commit()
        found = config_of(tmp_path / "crashed")
        shutil.copytree(config.data, found.data)
    return found


def log(config: Config) -> Path:
    return config.data / "haunt.db-wal"


def test_a_log_as_a_crash_leaves_it_is_sound(crashed: Config) -> None:
    assert log(crashed).stat().st_size > 10 * PAGE
    assert ready(crashed) == ""
    assert late(crashed) == 10


def test_a_log_cut_in_its_last_commit_is_what_a_crash_leaves(crashed: Config) -> None:
    raw = bytearray(log(crashed).read_bytes())
    raw[-100] ^= 1
    log(crashed).write_bytes(raw)

    assert ready(crashed) == ""
    assert late(crashed) == 9


@pytest.mark.parametrize("at", [0, 8, 16, 24, 32, 40, 5000, 9000])
def test_a_log_damaged_in_the_midst_is_said_and_kept_aside(crashed: Config, at: int) -> None:
    raw = bytearray(log(crashed).read_bytes())
    raw[at] ^= 0x10
    log(crashed).write_bytes(raw)

    words = ready(crashed)

    assert "can be read" in words or "cannot be read" in words
    assert is_stopped(crashed)
    [aside] = (crashed.data / rescue.SET_ASIDE).iterdir()
    assert (aside / "haunt.db-wal").read_bytes() == raw


@pytest.mark.parametrize("spoil", [b"", b"\xff" * 32768, b"\0" * 100])
def test_damaged_shared_memory_costs_nothing(crashed: Config, spoil: bytes) -> None:
    (crashed.data / "haunt.db-shm").write_bytes(spoil)

    assert ready(crashed) == ""
    assert late(crashed) == 10


# --- restoring by hand


def test_a_restore_keeps_what_was_there_and_leaves_the_show_stopped(config: Config) -> None:
    made = keeping.back_up(config)
    change(config, "INSERT INTO settings (key, value) VALUES ('late', 'after the backup')")

    words = keeping.restore_now(config, made)

    assert f"restored is backup {made.name}" in words
    assert is_stopped(config)
    assert alerts(config) == [words]
    [safety] = [each for each in keeping.backups(config) if each.why == "restore"]
    assert safety.name in words
    keeping.restore_now(config, safety)
    assert late(config) == 1


def test_nobody_stays_signed_in_over_a_restore(config: Config) -> None:
    with closing(sqlite3.connect(database(config))) as connection:
        columns = connection.execute("PRAGMA table_info(sessions)").fetchall()
        cells = ["1" if "INT" in each[2] else "'x'" for each in columns]
        connection.execute(f"INSERT INTO sessions VALUES ({', '.join(cells)})")
        connection.commit()
    made = keeping.back_up(config)
    assert made.rows["sessions"] == 1

    words = keeping.restore_now(config, made)

    assert "signs in anew" in words
    with closing(sqlite3.connect(database(config))) as connection:
        assert connection.execute("SELECT count(*) FROM sessions").fetchone() == (0,)


def test_a_backup_that_cannot_be_started_from_is_refused_and_nothing_changes(
    config: Config,
) -> None:
    change(config, "UPDATE snapshots SET body = 'x'")
    made = keeping.back_up(config)
    before = database(config).read_bytes()

    with pytest.raises(BackupRefused, match=f"backup {made.name} cannot be started from"):
        keeping.restore_now(config, made)

    assert database(config).read_bytes() == before
    assert {each.name for each in config.data.iterdir()} <= {"haunt.db", BACKUPS, "lock"}


def test_a_backup_of_a_newer_program_is_refused_in_words(config: Config) -> None:
    change(config, "UPDATE alembic_version SET version_num = '0999'")
    made = keeping.back_up(config)

    with pytest.raises(BackupRefused, match="newer version"):
        keeping.restore_now(config, made)


def test_what_a_page_asks_for_is_restored_at_the_next_start(config: Config) -> None:
    made = keeping.back_up(config)
    change(config, "INSERT INTO settings (key, value) VALUES ('late', 'after the backup')")
    assert "at the next start" in keeping.restore_at_start(config, made.name)
    assert late(config) == 1

    with keeping.keep(config, lambda _line: None) as kept:
        [words] = kept.status().words

    assert f"restored is backup {made.name}" in words
    with keeping.keep(config, lambda _line: None) as kept:
        assert kept.status().words == ()


def test_a_restore_is_carried_through_wherever_the_process_was_killed(
    config: Config, tmp_path: Path
) -> None:
    keeping.back_up(config)

    told = subprocess.run(
        [sys.executable, "-m", "tests.store.cutting", config.data, tmp_path, str(STRIDE)],
        capture_output=True,
        text=True,
        check=True,
    )

    ends = json.loads(told.stdout)
    assert len(ends) * STRIDE > 30  # files opened, moved, removed by one restore
    assert ends[-1]["done"]
    assert all(each["held"] for each in ends)
    # As if nothing had been asked, or restored and stopped; nothing in between, and never back.
    found = [(each["number"], each["stopped"]) for each in ends]
    assert set(found) == {(LAST, False), (LAST + 1, True)}
    assert found == sorted(found)
    for each in ends:
        assert set(each["left"]) <= {"haunt.db", "lock", "backups", "set-aside", *LOG}, each


# --- the folder


def test_two_servers_never_share_a_folder(config: Config) -> None:
    made = keeping.back_up(config)
    with keeping.keep(config, lambda _line: None):
        with (
            pytest.raises(StoreRefused, match=r"another haunt runs on .*; end it first"),
            keeping.keep(config, lambda _line: None),
        ):
            pass
        with pytest.raises(BackupRefused, match="another haunt runs"):
            keeping.restore_now(config, made)
        assert keeping.back_up(config).rows == made.rows  # a backup may be made all the same


def test_damaged_credentials_are_put_back_from_the_newest_backup(config: Config) -> None:
    broker = config.data / "broker"
    broker.mkdir()
    (broker / "credentials.json").write_text('{"controller": "c", "hashes": {"gate": "$7$x"}}')
    keeping.back_up(config)
    (broker / "credentials.json").write_text("{")

    with keeping.keep(config, lambda _line: None) as kept:
        [words] = kept.status().words

    assert "credentials were damaged; they were put back as of" in words
    assert '"gate"' in (broker / "credentials.json").read_text()
    assert (broker / "credentials.json").stat().st_mode & 0o777 == 0o600


HOUR_MS = 3_600_000


def test_a_backup_is_made_every_hour_and_its_trouble_said_once(config: Config) -> None:
    said: list[str] = []
    kept = keeping.Keeping(config, said.append)
    start = 1_793_552_400_000

    made = [kept.turn(start + minute * 60_000) for minute in range(0, 181, 5)]
    assert [index for index, each in enumerate(made) if each] == [0, 12, 24, 36]
    assert kept.turn(start - HOUR_MS) is not None  # the clock was set back
    assert kept.status().trouble == ""

    rubbish(database(config))
    assert kept.turn(start + 9 * HOUR_MS) is None
    assert kept.turn(start + 10 * HOUR_MS) is None
    assert len(said) == 1
    assert "not a database" in kept.status().trouble


def test_damage_under_a_running_server_is_said(config: Config) -> None:
    said: list[str] = []
    inner_pages(database(config))
    kept = keeping.Keeping(config, said.append)

    kept.turn(1)

    assert "malformed" in kept.status().trouble or "damaged" in kept.status().trouble
    assert len(said) == 1


def test_examining_stops_at_its_time_and_says_so(config: Config) -> None:
    big = config.data / "haunt.db"
    with closing(sqlite3.connect(big)) as connection:
        connection.executemany(
            "INSERT INTO settings (key, value) VALUES (?, ?)",
            [(str(number), "x" * 200) for number in range(60_000)],
        )
        connection.commit()

    assert rescue.examine(big, limit_s=0) == ("", False)
    assert rescue.examine(big) == ("", True)


def test_files_set_aside_are_the_last_five(config: Config) -> None:
    for number in range(8):
        rescue.set_aside(config.data, database(config), number * 1000)

    kept = sorted(each.name for each in (config.data / rescue.SET_ASIDE).iterdir())
    assert kept == [f"19700101T0000{number:02}Z" for number in range(3, 8)]


def test_a_backup_restored_and_backed_up_again_is_the_same(config: Config) -> None:
    first = keeping.back_up(config)
    keeping.restore_now(config, first)
    change(config, f"DELETE FROM events WHERE number > {LAST}")
    change(config, "DELETE FROM alerts")
    change(config, "DELETE FROM actions")
    change(config, "UPDATE journal_end SET number = number - 1, mono_ms = 0, wall_ms = 0")
    second = keeping.back_up(config)

    def tables(path: Path) -> dict[str, list[object]]:
        with closing(sqlite3.connect(path)) as connection:
            return {
                name: connection.execute(f"SELECT * FROM {name}").fetchall()
                for name in first.rows
                if name != "journal_end"
            }

    assert tables(first.database) == tables(second.database)
    backup.verify(first)
