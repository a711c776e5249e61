"""Goal: a board that is cut off at any moment is safe in time, stays so, and boots at rest.

Method: a whole board over a machine that logs every pin, cut at random moments on both
interpreters (`python -m tests.firmware.cuts 1000000` does it a million times); boards that were
spoilt on purpose show that the watch over the pins can fail.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.firmware.modules import FIRMWARE, MICROPYTHON

CUTS = Path(__file__).parent / "cuts.py"
BOARDS = {
    "cpython": ([sys.executable], 600),
    "micropython": ([str(MICROPYTHON), "-X", "heapsize=256k"], 200),
}
SPOILT = {
    "a stop that is heard but not done": ("brain.py", "self._still(ms)", "pass"),
    "a play without an end": ("brain.py", "min(duration_ms, max_ms)", "duration_ms + 60000"),
    "a beat that is never missed": ("beats.py", "SILENCE_MS = 6000", "SILENCE_MS = 60000"),
    "a servo that goes home at boot": ("drivers.py", "SERVO_HZ, 0)", "SERVO_HZ, 4095)"),
    "a relay made without its level": ("drivers.py", "value=rest)", "value=0)"),
    "a motor that plays alone": ("kinds.py", '("light", "sound")', '("light", "sound", *LOADS)'),
    "a fault that leaves outputs on": ("loop.py", "self._tracks.stop(ms, prop))\n", "[])\n"),
    "a cue that is believed without a beat": ("beats.py", "and not self.is_silent(ms)", ""),
}


def run(command: list[str], count: int, seed: int, script: Path = CUTS) -> tuple[int, str]:
    whole = [*command, str(script), str(count), str(seed)]
    done = subprocess.run(whole, capture_output=True, text=True, timeout=60, check=False)
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize("interpreter", sorted(BOARDS))
def test_a_board_cut_off_at_any_moment_is_safe_in_time(interpreter: str) -> None:
    command, count = BOARDS[interpreter]

    code, said = run(command, count, seed=5)

    assert (code, said.split()[:2]) == (0, ["cuts", str(count)]), said
    kinds = said.split()[2::2]
    assert kinds == ["alone", "button", "crash", "link", "mute", "power", "show", "silence"]


@pytest.mark.parametrize("what", sorted(SPOILT))
def test_a_board_that_is_spoilt_is_found_out(what: str, tmp_path: Path) -> None:
    name, right, wrong = SPOILT[what]
    for path in FIRMWARE.glob("*.py"):
        target = tmp_path / "firmware_stub" / path.name
        target.parent.mkdir(exist_ok=True)
        target.write_text(path.read_text("utf-8"), encoding="utf-8")
    spoilt = tmp_path / "firmware_stub" / name
    text = spoilt.read_text("utf-8")
    assert right in text
    spoilt.write_text(text.replace(right, wrong), encoding="utf-8")
    folder = tmp_path / "tests" / "firmware"
    folder.mkdir(parents=True)
    for name in ("cuts.py", "pinlog.py"):
        (folder / name).write_text((CUTS.parent / name).read_text("utf-8"), encoding="utf-8")

    code, said = run([sys.executable], 150, 5, folder / "cuts.py")

    assert code == 1
    assert said.startswith("cut "), said
