"""Goal: a killed controller's broker is found again, and only a sound one is taken over.

Method: a parent in a process of its own starts the kept broker and is killed; the test starts the
next keeper over the same folder.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import KeptBroker, reload_running, running_pid
from tests.mqtt.rig import binary, free_port, listens

pytestmark = pytest.mark.system

Keeper = Callable[..., KeptBroker]
TREE = Path(__file__).resolve().parents[2]
PARENT = """
import sys, threading
from pathlib import Path
from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import KeptBroker
kept = KeptBroker(sys.argv[2], Credentials(Path(sys.argv[1]), "yard"), "127.0.0.1", 0).start()
print(kept.pid, kept.port, flush=True)
threading.Event().wait()
"""


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    found = tmp_path / "broker"
    yield found
    pid = running_pid(found)
    if pid is not None:
        os.kill(pid, signal.SIGKILL)


@pytest.fixture
def keeper(folder: Path) -> Iterator[Keeper]:
    """Makes keepers over the folder; one left keeping would start a killed broker again."""
    made: list[KeptBroker] = []

    def keep(port: int = 0) -> KeptBroker:
        made.append(KeptBroker(binary(), Credentials(folder, "yard"), "127.0.0.1", port))
        return made[-1]

    yield keep
    for each in made:
        each.stop()


@pytest.fixture
def orphan(folder: Path) -> tuple[int, int]:
    """Return pid and port of a broker whose parent was killed."""
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, folder, binary()],
        stdout=subprocess.PIPE,
        text=True,
        cwd=TREE,
    )
    assert parent.stdout is not None
    pid, port = map(int, parent.stdout.readline().split())
    parent.kill()
    parent.wait()
    parent.stdout.close()
    return pid, port


def test_a_broker_outlives_its_killed_parent_and_is_adopted(
    folder: Path, keeper: Keeper, orphan: tuple[int, int]
) -> None:
    assert listens(orphan[1])
    kept = keeper().start()
    assert (kept.pid, kept.port) == orphan
    kept.stop()
    assert running_pid(folder) is None
    assert not listens(orphan[1])


def test_one_that_hangs_is_replaced_on_its_port(keeper: Keeper, orphan: tuple[int, int]) -> None:
    """The system goes on accepting connections for it."""
    os.kill(orphan[0], signal.SIGSTOP)
    kept = keeper()
    kept.end_s = 0.3  # as long as it is asked to end before it is made to
    kept.start()
    assert kept.pid != orphan[0]
    assert kept.port == orphan[1]
    kept.stop()


def test_one_with_other_settings_is_replaced(keeper: Keeper, orphan: tuple[int, int]) -> None:
    wanted = free_port()
    kept = keeper(wanted).start()
    assert kept.port == wanted
    assert kept.pid != orphan[0]
    assert not listens(orphan[1])
    kept.stop()


def test_a_port_that_was_drawn_once_is_drawn_no_more(keeper: Keeper) -> None:
    """Boards were told it."""
    first = keeper().start()
    port = first.port
    first.stop()
    second = keeper().start()
    assert second.port == port
    second.stop()


def test_a_pid_file_that_names_another_program_signals_nobody(folder: Path) -> None:
    """After a power cut the number belongs to somebody else, whom the signal would end."""
    folder.mkdir()
    bystander = subprocess.Popen(["sleep", "60"])
    try:
        (folder / "pid").write_text(str(bystander.pid))
        assert not reload_running(folder)
        assert bystander.poll() is None
    finally:
        bystander.kill()
        bystander.wait()
