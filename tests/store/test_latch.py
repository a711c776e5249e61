"""Goal: the last word on stop outlives a full disk, a held database and a cut in any moment.

Method: the latch on a real file; a small disk that is full where one may be mounted.
"""

import os
import subprocess
from pathlib import Path

import pytest

from haunt.store.latch import SIZE, Latched, StopLatch
from tests.soak.siege import Disk


def told(path: Path, *words: tuple[bool, int]) -> Latched:
    """What another run finds after these words."""
    latch = StopLatch(path)
    latch.start()
    for stopped, epoch in words:
        latch.note(stopped, epoch)
    latch.close()
    return StopLatch(path).read()


def test_the_newest_word_is_found_by_the_next_run(tmp_path: Path) -> None:
    path = tmp_path / "stop"

    assert StopLatch(path).read() == Latched(stopped=False, epoch=0)
    assert told(path, (True, 4)) == (True, 4)
    assert told(path, (True, 5), (False, 6)) == (False, 6)
    assert told(path) == (False, 6)


def test_it_is_written_over_in_place_and_never_grows(tmp_path: Path) -> None:
    path = tmp_path / "stop"
    told(path, (False, 1))
    before = path.stat()
    told(path, (True, 2**62))

    assert path.stat().st_size == before.st_size == SIZE
    assert path.stat().st_ino == before.st_ino
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("raw", [b"\0" * SIZE, b"{", b'{"stopped":true}', b'["x"]', b"\xff"])
def test_a_word_that_cannot_be_read_is_a_stop(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "stop"
    path.write_bytes(raw)

    assert StopLatch(path).read().stopped


def test_a_file_without_a_word_is_none(tmp_path: Path) -> None:
    path = tmp_path / "stop"
    path.touch()

    assert StopLatch(path).read() == Latched()


def test_a_latch_that_cannot_be_written_costs_nothing_else(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    assert told(tmp_path / "gone" / "stop", (True, 3)) == Latched()
    assert "cannot be written" in caplog.text


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
def test_on_a_full_disk_a_stop_is_latched_all_the_same(tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    with Disk(small, "1m") as disk:
        if not disk.is_small:
            pytest.skip("nothing may be mounted here")
        path = small / "stop"
        told(path, (False, 1))
        with disk.full(os.getpid()):
            assert subprocess.run(["touch", small / "x"], check=True).returncode == 0
            with pytest.raises(OSError, match="space"):
                (small / "x").write_bytes(b"x" * 5000)
            assert told(path, (True, 2)) == (True, 2)
