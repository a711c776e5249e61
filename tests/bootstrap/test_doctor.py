"""Goal: the doctor names what would spoil a night before it does; of a good one it says no ill.

Method: real folders, ports and programs; each fault is made by hand, one at a time.
"""

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from haunt.bootstrap.doctor import Finding, examine_all
from haunt.bootstrap.keeping import back_up, keep
from haunt.cli import app
from haunt.config import Config
from tests.core.stage import EVENING
from tests.store.nights import config_of, lay
from tests.store.test_mending import change, rubbish

NOW = datetime.fromtimestamp(EVENING / 1000, UTC) + timedelta(hours=1)


@pytest.fixture
def config(tmp_path: Path) -> Config:
    found = replace(config_of(tmp_path / "data"), listen_port=0)
    lay(found, motions=3)
    return found


def bad(config: Config, now: datetime = NOW) -> dict[str, str]:
    return {each.what: each.said for each in examine_all(config, now) if not each.good}


def test_a_folder_that_is_ready_has_nothing_bad_said_of_it(config: Config) -> None:
    back_up(config)

    found = examine_all(config, NOW)

    assert [each for each in found if not each.good] == []
    assert {each.what for each in found} >= {
        *("python", "mosquitto", "data folder", "disk", "database", "schema", "show"),
        *("journal", "backups", "clock"),
    }
    assert Finding("schema", good=True, said=found[5].said) in found


def test_a_first_start_is_good(tmp_path: Path) -> None:
    assert bad(config_of(tmp_path / "new")) == {}


@contextmanager
def taken() -> Iterator[int]:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        yield other.getsockname()[1]


def test_a_server_that_was_given_another_port_by_a_flag_is_told_of(config: Config) -> None:
    with taken() as port:
        pass
    with keep(config, lambda _line: None):
        found = examine_all(replace(config, listen_port=port), NOW)
    [said] = [each.said for each in found if each.what == "port of the pages"]
    assert said.endswith("is free; a haunt runs on this folder, by flags at another")


def test_a_port_that_another_program_has_is_named(config: Config) -> None:
    with taken() as port:
        found = bad(replace(config, listen_port=port, mqtt_port=port))
        assert set(found) == {"port of the pages", "port of the broker"}
        assert f"127.0.0.1:{port}" in found["port of the pages"]

        with keep(config, lambda _line: None):  # our own server has it
            assert set(bad(replace(config, listen_port=port))) == set()


@pytest.mark.parametrize(
    ("statement", "what", "says"),
    [
        ("UPDATE alembic_version SET version_num = '0999'", "schema", "of a newer program"),
        ("UPDATE shows SET text = '[show'", "show", "version 1"),
        ("DELETE FROM shows", "show", "haunt import"),
        ("UPDATE journal_end SET number = 99, wall_ms = wall_ms * 2", "journal", "ahead of this"),
    ],
)
def test_what_is_wrong_in_the_database_is_named(
    config: Config, statement: str, what: str, says: str
) -> None:
    change(config, statement)

    found = bad(config)

    assert set(found) == {what}
    assert says in found[what]


def test_a_damaged_database_is_named_and_left_alone(config: Config) -> None:
    rubbish(config.data / "haunt.db")
    before = (config.data / "haunt.db").read_bytes()

    assert "not a database" in bad(config)["database"]
    assert (config.data / "haunt.db").read_bytes() == before


@pytest.mark.parametrize("year", [1970, 2000, 2071])
def test_a_clock_that_cannot_be_right_is_named(config: Config, year: int) -> None:
    assert "set it" in bad(config, datetime(year, 1, 1, tzinfo=UTC))["clock"]


def test_a_folder_that_everyone_may_write_is_named(config: Config) -> None:
    config.data.chmod(0o777)

    assert "chmod o-w" in bad(config)["data folder"]


def test_a_folder_that_is_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("")

    assert "data folder" in bad(config_of(tmp_path / "data"))


def test_the_command_ends_with_one_where_something_is_not_good(config: Config) -> None:
    words = ["doctor", "--data", str(config.data), "--json"]
    environment = {"HAUNT_LISTEN": "127.0.0.1:0", "HAUNT_MQTT": "127.0.0.1:0"}
    good = CliRunner().invoke(app, words, env=environment)
    rubbish(config.data / "haunt.db")
    spoilt = CliRunner().invoke(app, words, env=environment)

    assert (good.exit_code, spoilt.exit_code) == (0, 1), good.output
    assert '"good": false' in spoilt.stdout
