"""Goal: the file an owner takes for a board is one its firmware reads, whichever way it was made.

Method: real credential files and the firmware's own reader; a real Mosquitto in
tests/system/test_https.py.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from haunt.bootstrap.broker import Joined
from haunt.bootstrap.firmware import firmware
from haunt.bootstrap.keyring import KeptKeyring, keyring_of
from haunt.bootstrap.offline import add_board, export_file, import_file, rotate_board
from haunt.cli import app
from haunt.config import Config
from haunt.mqtt.client import Account
from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import KeptBroker
from haunt.site.houseports import HouseRefused, Keyring
from tests.store.nights import config_of, lay

SHOW = "yard"
EXAMPLE = Path(__file__).parent.parent.parent / "haunt" / "examples" / "first-night.toml"


@pytest.fixture
def config(tmp_path: Path) -> Config:
    found = config_of(tmp_path / "data")
    lay(found, motions=1)
    return found


def ring_of(config: Config, host: str = "192.168.1.20", port: int = 1883) -> KeptKeyring:
    """The broker is not started: only where it listens is asked."""
    credentials = Credentials(config.data / "broker", SHOW)
    broker = KeptBroker("mosquitto", credentials, host, port)

    def text() -> str:
        return (export_file(config) or b"").decode()

    return KeptKeyring(config, SHOW, broker, text)


def read_by_firmware(text: str) -> Any:
    return firmware()["config"].parse(text)


def test_the_firmware_reads_the_file_as_it_is(config: Config) -> None:
    made = ring_of(config).make("gate")
    read = read_by_firmware(made.text)

    assert (read.id, read.username, read.host, read.port) == ("gate", "gate", "192.168.1.20", 1883)
    assert read.root == f"haunt/{SHOW}"
    assert len(read.password) >= 24


def test_the_command_line_writes_the_same_file(config: Config) -> None:
    (config.data / "broker").mkdir()
    (config.data / "broker" / "mosquitto.conf").write_text("listener 1883 192.168.1.20\n")
    told = CliRunner().invoke(app, ["boards", "add", "gate", "--json", "--data", str(config.data)])
    by_hand = told.stdout
    by_page = ring_of(config).rotate("gate").text

    first, second = json.loads(by_hand), json.loads(by_page)
    assert first.pop("password") != second.pop("password")
    assert first == second
    assert json.dumps(json.loads(by_hand)) + "\n" == by_hand
    assert json.dumps(json.loads(by_page)) + "\n" == by_page


def test_the_command_line_says_what_has_no_pin_and_its_output_stays_the_file(
    config: Config, tmp_path: Path
) -> None:
    words = ["boards", "add", "gate", "--json", "--data", str(config.data)]
    text = EXAMPLE.read_text(encoding="utf-8")
    assert import_file(config, EXAMPLE)[0] == []
    assert CliRunner().invoke(app, words).stderr == ""
    mistyped = tmp_path / "show.toml"
    mistyped.write_text(text.replace("gate-pir = ", "gate-pirr = "), encoding="utf-8")
    assert import_file(config, mistyped)[0] == []
    words[1] = "rotate"
    told = CliRunner().invoke(app, words)

    assert "No pin is told for gate-pir:" in told.stderr
    assert json.loads(told.stdout)["sensors"] == {}


def test_a_broker_that_listens_everywhere_is_given_an_address_that_leads_there(
    config: Config,
) -> None:
    made = ring_of(config, "0.0.0.0").make("gate")
    assert json.loads(made.text)["host"] not in {"0.0.0.0", "::"}
    assert "--mqtt" not in made.note


def test_a_broker_on_loopback_is_said_to_be_out_of_reach(config: Config) -> None:
    made = ring_of(config, "127.0.0.1", 1884).make("gate")

    assert "start haunt with --mqtt 0.0.0.0:1884" in made.note


def test_both_ways_change_the_same_files(config: Config) -> None:
    ring = ring_of(config)
    assert isinstance(add_board(config, "gate"), dict)
    assert ring.has("gate")
    with pytest.raises(HouseRefused, match="gate has a credential already"):
        ring.make("gate")
    ring.revoke("gate")

    assert rotate_board(config, "gate") == "'gate' has no credential; those that have: none"
    told = CliRunner().invoke(app, ["boards", "revoke", "gate", "--data", str(config.data)])
    assert told.exit_code == 1
    assert "has no credential" in told.stderr


def test_damaged_credentials_are_said_and_not_written_over(config: Config) -> None:
    ring = ring_of(config)
    ring.make("gate")
    kept = config.data / "broker" / "credentials.json"
    kept.write_text("{")

    for attempt in (ring.make, ring.rotate, ring.revoke, ring.has):
        with pytest.raises(HouseRefused, match="is damaged"):
            attempt("gate")
    assert kept.read_text() == "{"


def test_a_foreign_broker_is_named_and_gives_no_passwords(config: Config) -> None:
    account = Account("mq.lan", 8883, "haunt", "s3cr3t")
    ring: Keyring = keyring_of(config, SHOW, Joined(account, (), None), str)

    assert "The broker at mq.lan:8883 is not kept by haunt" in ring.foreign
    assert "s3cr3t" not in ring.foreign
    assert not ring.has("gate")
    for attempt in (ring.make, ring.rotate, ring.revoke):
        with pytest.raises(HouseRefused, match="not kept by haunt"):
            attempt("gate")
