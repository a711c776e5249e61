"""Goal: backup, restore, export and import lose nothing on the way, byte for byte.

Method: the command line itself, in-process, over folders with a short night in them.
"""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from haunt.bootstrap.folder import alone
from haunt.cli import app
from haunt.config import Config
from tests.store.nights import SHOW, config_of, lay, state_of

EXAMPLES = Path(__file__).resolve().parents[2] / "haunt" / "examples"


@pytest.fixture
def config(tmp_path: Path) -> Config:
    found = config_of(tmp_path / "data")
    lay(found, motions=3)
    return found


def run(*words: str | Path) -> str:
    told = CliRunner().invoke(app, [str(each) for each in words])
    assert told.exit_code == 0, told.output
    return told.stdout


def exported(data: Path) -> bytes:
    told = CliRunner().invoke(app, ["export", "--data", str(data)])
    assert told.exit_code == 0, told.output
    return told.stdout_bytes


def test_an_import_that_a_running_server_would_not_see_is_refused(config: Config) -> None:
    before = state_of(config)

    with alone(config.data):
        words = ["import", str(EXAMPLES / "garden.toml"), "--data", str(config.data)]
        told = CliRunner().invoke(app, words)

    assert told.exit_code == 1
    assert "another haunt runs on" in told.output
    assert "Plan, Import" in told.output
    assert state_of(config) == before


def test_a_show_goes_out_in_and_out_again_byte_for_byte(tmp_path: Path) -> None:
    for example in sorted(EXAMPLES.glob("*.toml")):
        data = tmp_path / example.stem
        run("import", example, "--data", data)
        once = exported(data)
        assert once == example.read_bytes()
        (tmp_path / "out.toml").write_bytes(once)
        run("import", tmp_path / "out.toml", "--data", data)
        assert exported(data) == once


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"\n", b"\r\n"),
        (b"[show]", b"# \xc3\x84 \xf0\x9f\x8e\x83\r\n[show]"),
        (b"[show]", b"\xef\xbb\xbf[show]"),
    ],
    ids=["line ends of Windows", "letters beyond ASCII", "a byte order mark"],
)
def test_what_other_editors_write_comes_back_as_they_wrote_it(
    tmp_path: Path, before: bytes, after: bytes
) -> None:
    written = SHOW.lstrip().encode().replace(before, after)
    (tmp_path / "show.toml").write_bytes(written)

    run("import", tmp_path / "show.toml", "--data", tmp_path / "data")

    assert exported(tmp_path / "data") == written


def test_a_file_that_is_no_text_is_refused_with_its_line(tmp_path: Path) -> None:
    (tmp_path / "show.toml").write_bytes(SHOW.encode() + b"# caf\xe9\n")
    told = CliRunner().invoke(
        app, ["import", str(tmp_path / "show.toml"), "--data", str(tmp_path / "data")]
    )

    assert told.exit_code == 1
    line = SHOW.count("\n") + 1
    assert f"show.toml:{line}: text: is not UTF-8 (byte 0xe9)" in told.stderr


def test_a_backup_moves_a_show_to_a_new_folder_whole(config: Config, tmp_path: Path) -> None:
    (config.data / "broker").mkdir()
    credentials = config.data / "broker" / "credentials.json"
    credentials.write_text('{"controller": "c", "hashes": {"gate": "$7$x"}}')
    [made] = json.loads(run("backup", "--data", config.data, "--json"))
    new = config_of(tmp_path / "new")

    told = run("restore", "--from", config.data / "backups", "--data", new.data)

    assert made["name"] in told
    assert run("export", "--data", new.data) == SHOW
    assert (new.data / "broker" / "credentials.json").read_text() == credentials.read_text()
    before, after = state_of(config).state, state_of(new).state
    assert before is not None
    assert after is not None
    assert after["boards"] == before["boards"]
    assert after["props"]["keeper"]["held_by"] == before["props"]["keeper"]["held_by"] == "mara"
    assert after["night"]["stopped"]


def test_what_there_is_is_listed_and_can_be_tried(config: Config) -> None:
    run("backup", "--data", config.data)
    [made] = json.loads(run("backup", "--list", "--json", "--data", config.data))

    assert made["rows"]["motions"] == 3
    assert "works" in run("restore", made["name"], "--check", "--data", config.data)
    assert "at the next start" in run("restore", "--at-start", "--data", config.data)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("restore",), "holds no backup"),
        (("restore", "yesterday"), "has no backup 'yesterday'"),
        (("backup",), "holds no database yet"),
    ],
)
def test_what_cannot_be_done_is_said_and_ends_with_one(
    tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    told = CliRunner().invoke(app, [*words, "--data", str(tmp_path)])

    assert told.exit_code == 1
    assert says in told.stderr
