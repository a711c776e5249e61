"""Goal: first thing at boot every output is at rest, and a wrong file drives no pin at all.

Method: boot.py itself over a machine that logs its pins, on both interpreters; what it needs of the
heap and how late tracks come is measured by the interpreter of the boards.
"""

import json
import statistics
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.firmware.cuts import CONFIG, REST
from tests.firmware.modules import FIRMWARE, MICROPYTHON

HERE = Path(__file__).parent
SMALL = [str(MICROPYTHON), "-X", "heapsize=256k"]
POLL_MS = 10


@pytest.fixture(params=["cpython", "micropython"])
def boot(request: pytest.FixtureRequest, tmp_path: Path) -> Any:
    command = [sys.executable] if request.param == "cpython" else SMALL

    def run(config: str | None) -> list[str]:
        if config is not None:
            (tmp_path / "config.json").write_text(config, encoding="utf-8")
        whole = [*command, str(HERE / "booted.py"), str(FIRMWARE), str(tmp_path)]
        done = subprocess.run(whole, capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout.splitlines()

    return run


def test_each_pin_shows_its_rest_and_nothing_else(boot: Any) -> None:
    (said,) = boot(CONFIG)

    shown = {(pin, level) for pin, level in json.loads(said)}
    assert shown == {(pin, level) for pin, level in REST.items()}


@pytest.mark.parametrize(
    ("config", "why"),
    [
        (None, "outputs not set: "),
        ("{", "outputs not set: the file is not JSON"),
        (CONFIG.replace('"pin": 11', '"pin": 10'), "10 is taken by props.keeper.outputs."),
    ],
)
def test_without_a_sound_file_no_pin_is_driven(boot: Any, config: str | None, why: str) -> None:
    said, levels = boot(config)

    assert why in said
    assert json.loads(levels) == []


def test_a_whole_board_fits_half_a_small_heap_and_its_tracks_keep_time() -> None:
    whole = [*SMALL, str(HERE / "memory.py")]
    done = subprocess.run(whole, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)

    print({**found, "late_ms": found["late_ms"][::12]})
    # Of this interpreter's 64-bit words; a board's are half as long.
    assert found["booted"] - found["test"] < 128 * 1024
    assert abs(found["played"] - found["booted"]) < 16 * 1024
    # A level waits for the next look, here as on a board; three times that on a busy machine.
    assert len(found["late_ms"]) > 5
    assert min(found["late_ms"]) >= 0
    assert statistics.median(found["late_ms"]) <= 3 * POLL_MS
