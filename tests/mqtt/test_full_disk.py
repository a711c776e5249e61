"""Goal: a file that already says what it should is left alone, so that a full disk stops no start.

Method: the file's own number on the disk, which is another once it has been written anew.
"""

from pathlib import Path

import pytest

from haunt.mqtt.credentials import Credentials, write_private


def written(path: Path, text: str) -> int:
    write_private(path, text)
    return path.stat().st_ino


def test_the_same_words_are_not_written_again_and_others_are(tmp_path: Path) -> None:
    path = tmp_path / "acl"
    first = written(path, "user b1\n")

    assert written(path, "user b1\n") == first
    assert written(path, "user b2\n") != first
    assert path.read_text() == "user b2\n"


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o602])
def test_a_file_that_others_can_read_is_written_anew_whatever_it_says(
    tmp_path: Path, mode: int
) -> None:
    path = tmp_path / "passwords"
    written(path, "b1:x\n")
    path.chmod(mode)
    write_private(path, "b1:x\n")

    assert path.stat().st_mode & 0o777 == 0o600


def test_what_is_not_text_is_written_over(tmp_path: Path) -> None:
    path = tmp_path / "acl"
    path.write_bytes(b"\xff\xfe")
    path.chmod(0o600)
    write_private(path, "user b1\n")

    assert path.read_text() == "user b1\n"


def test_a_second_start_with_the_same_boards_writes_no_file(tmp_path: Path) -> None:
    credentials = Credentials(tmp_path / "broker", "garden")
    credentials.add("b1")
    credentials.controller_password()
    credentials.write_files()
    before = {each.name: each.stat().st_ino for each in credentials.folder.iterdir()}
    again = Credentials(tmp_path / "broker", "garden")
    again.controller_password()
    again.write_files()

    assert {each.name: each.stat().st_ino for each in again.folder.iterdir()} == before
