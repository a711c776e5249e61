"""The board's modules for the tests, and a way to run a script on both interpreters."""

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.firmware import pinlog
from tests.firmware.modules import FIRMWARE, MICROPYTHON, Run, load


@pytest.fixture(scope="session")
def firmware() -> SimpleNamespace:
    return SimpleNamespace(**load())


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> pinlog.Bench:
    """A machine that logs its pins; its clock stands at the `ms` that a test sets."""
    made = pinlog.Bench(lambda: 0)
    for name in ("machine", "neopixel"):  # put back after the test
        monkeypatch.setitem(sys.modules, name, None)
    pinlog.install(made)
    return made


@pytest.fixture(params=["cpython", "micropython"])
def run_script(request: pytest.FixtureRequest) -> Run:
    """Runs a script of this folder against a vector file, on the interpreter of the parameter."""
    command = {
        "cpython": [sys.executable],
        # The vector files themselves are larger than a board's heap.
        "micropython": [str(MICROPYTHON), "-X", "heapsize=4m"],
    }[request.param]

    def run(script: str, vectors: Path) -> "subprocess.CompletedProcess[str]":
        path = Path(__file__).parent / script
        return subprocess.run(
            [*command, str(path), str(FIRMWARE), str(vectors)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    return run
