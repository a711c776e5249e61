"""Goal: one credential a board, kept hashed, in files that nobody else can read.

Method: the texts against Mosquitto's own tool and a known value; the folder on disk, with changes
from several processes at once.
"""

import json
import subprocess
import sys
from base64 import b64decode
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from haunt.mqtt.credentials import CredentialRefused, Credentials, acl_text, hashed, password_text

BY_THE_TOOL = (
    "$7$101$+3ujgRG00OD6UJcv$5IUncDldN3ahESQcpCqHd3SGQhhAxoRx5I6F"
    "Bg4kV7U1wuUs8zEXZHV1u5tBd9PNWT8n/vVID9cTKf5hV+ZHbQ=="
)
"""What `mosquitto_passwd -b` 2.0.11 wrote for the password `pumpkin`."""
TREE = Path(__file__).resolve().parents[2]
ADD = """
import sys
from pathlib import Path
from haunt.mqtt.credentials import Credentials
for n in range(20):
    Credentials(Path(sys.argv[1]), "yard").add(f"{sys.argv[2]}-{n}")
"""


@pytest.fixture
def credentials(tmp_path: Path) -> Credentials:
    return Credentials(tmp_path / "broker", "yard")


def test_a_hash_is_what_mosquittos_own_tool_writes() -> None:
    salt = b64decode(BY_THE_TOOL.split("$")[3])
    assert hashed("pumpkin", salt) == BY_THE_TOOL


def test_the_same_password_is_never_hashed_alike() -> None:
    assert hashed("pumpkin") != hashed("pumpkin")


def test_the_rights_of_a_board_are_its_own_topics_only() -> None:
    assert acl_text("yard", "yard-controller").splitlines() == [
        "user yard-controller",
        "topic readwrite haunt/yard/#",
        "",
        "pattern write haunt/yard/%u/presence",
        "pattern write haunt/yard/%u/motion",
        "pattern write haunt/yard/%u/health",
        "pattern write haunt/yard/%u/report",
        "pattern read haunt/yard/%u/cue",
        "pattern read haunt/yard/%u/settings",
        "pattern read haunt/yard/all/#",
    ]


def test_the_rights_are_right_for_a_show_that_is_named_like_the_stand_in() -> None:
    assert "pattern write haunt/u/%u/motion" in acl_text("u", "u-controller").splitlines()


def test_password_lines_stand_in_the_order_of_names() -> None:
    assert password_text({"well": "b", "gate": "a"}) == "gate:a\nwell:b\n"


def test_every_file_is_readable_by_its_owner_only(credentials: Credentials) -> None:
    credentials.controller_password()
    credentials.add("gate")
    credentials.write_files()
    modes = {each.name: each.stat().st_mode & 0o777 for each in credentials.folder.iterdir()}
    assert {"acl", "credentials.json", "passwords"} <= set(modes)
    assert set(modes.values()) == {0o600}
    assert credentials.folder.stat().st_mode & 0o777 == 0o700


def test_no_boards_password_is_kept_in_clear(credentials: Credentials) -> None:
    passwords = [credentials.add("gate"), credentials.add("well"), credentials.rotate("gate")]
    kept = "".join(each.read_text() for each in credentials.folder.iterdir())
    assert len(set(passwords)) == 3
    assert not any(each in kept for each in passwords)


def test_the_controllers_password_is_made_once(credentials: Credentials) -> None:
    first = credentials.controller_password()
    assert credentials.controller_password() == first
    assert Credentials(credentials.folder, "yard").controller_password() == first
    assert credentials.boards() == []


def test_a_board_is_added_once_rotated_and_revoked(credentials: Credentials) -> None:
    credentials.controller_password()
    credentials.add("gate")
    with pytest.raises(CredentialRefused, match="rotate it instead"):
        credentials.add("gate")
    before = (credentials.folder / "passwords").read_text()
    credentials.rotate("gate")
    assert (credentials.folder / "passwords").read_text() != before
    credentials.revoke("gate")
    assert credentials.boards() == []
    assert "gate" not in (credentials.folder / "passwords").read_text()
    for change in (credentials.revoke, credentials.rotate):
        with pytest.raises(CredentialRefused, match="those that have: none"):
            change("gate")


@pytest.mark.parametrize(
    "board",
    ["all", "controller", "yard-controller", "", "Gate", "a/b", "+", "#", "a:b", "a\n", "%u"],
)
def test_a_name_that_could_reach_further_is_refused(credentials: Credentials, board: str) -> None:
    with pytest.raises(CredentialRefused, match="allowed: 1 to 32"):
        credentials.add(board)


def test_the_controllers_account_cannot_be_revoked(credentials: Credentials) -> None:
    credentials.controller_password()
    with pytest.raises(CredentialRefused):
        credentials.revoke("yard-controller")


@pytest.mark.parametrize("text", ["", "{", "[]", '{"hashes": 3, "controller": ""}', "{}"])
def test_a_damaged_file_is_refused_with_what_to_do(credentials: Credentials, text: str) -> None:
    credentials.add("gate")
    (credentials.folder / "credentials.json").write_text(text)
    with pytest.raises(CredentialRefused, match="is damaged"):
        credentials.add("well")
    assert (credentials.folder / "credentials.json").read_text() == text


def test_what_an_interrupted_write_left_is_no_hindrance(credentials: Credentials) -> None:
    credentials.add("gate")
    (credentials.folder / "credentials.json.new").write_text("{half")
    credentials.add("well")
    assert credentials.boards() == ["gate", "well"]


def test_changes_by_several_processes_at_once_are_all_kept(credentials: Credentials) -> None:
    names = ("a", "b", "c")

    def add(name: str) -> None:
        subprocess.run([sys.executable, "-c", ADD, credentials.folder, name], check=True, cwd=TREE)

    with ThreadPoolExecutor(len(names)) as pool:
        list(pool.map(add, names))
    assert len(credentials.boards()) == 60
    kept = json.loads((credentials.folder / "credentials.json").read_text())
    assert set(kept["hashes"]) == set(credentials.boards())
