"""Goal: the board as it runs, a process of its own, keeps the wire's promises at a real broker.

Method: Mosquitto on a free port of the loopback address; the board on MicroPython's Unix port with
the heap of a small board, and on CPython; a subscriber that plays the controller. Latency is
compared with a bare publish by the same client library in the same run.
"""

import json
import queue
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.firmware.cuts import ARM_HOME, REST
from tests.firmware.modules import CONFIG, FIRMWARE, MICROPYTHON, beat, cue, stop

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
PATIENCE_S = 10
ROUNDS = 200
BOARDS = {
    "micropython": [str(MICROPYTHON), "-X", "heapsize=256k"],
    "cpython": [sys.executable],
}

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


class Broker:
    def __init__(self, folder: Path) -> None:
        self.port = _free_port(socket.SOCK_STREAM)
        self._file = folder / "mosquitto.conf"
        self._file.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n",
            encoding="ascii",
        )
        self.start()

    def start(self) -> None:
        assert MOSQUITTO is not None
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._file)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except ConnectionRefusedError:
                assert time.monotonic() < deadline, "the broker does not listen"
                time.sleep(0.02)
            else:
                return

    def kill(self) -> None:
        self._process.kill()
        self._process.wait(PATIENCE_S)


class Controller:
    """Hears everything and says what the test says; no more than a client with a queue."""

    def __init__(self, port: int) -> None:
        self._heard: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self._subscribed: queue.Queue[bool] = queue.Queue()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_socket_open = _without_delay
        self._client.on_message = lambda _client, _data, message: self._heard.put(message)
        self._client.on_subscribe = lambda *_: self._subscribed.put(item=True)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("haunt/yard/#", 1)
        self._subscribed.get(timeout=PATIENCE_S)

    def say(self, leaf: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        self._client.publish(f"haunt/yard/{leaf}", payload, qos, retain)

    def hears(self, leaf: str, **named: Any) -> tuple[mqtt.MQTTMessage, dict[str, Any]]:
        """The next message there whose payload has what is named; others are passed over."""
        deadline, last = time.monotonic() + PATIENCE_S, "nothing"
        while True:
            try:
                message = self._heard.get(timeout=max(0.001, deadline - time.monotonic()))
            except queue.Empty:
                pytest.fail(f"{leaf} {named} was not heard; last came {last}")
            last = f"{message.topic} {message.payload!r}"
            if message.topic == f"haunt/yard/{leaf}":
                said = json.loads(message.payload)
                if all(said.get(key) == value for key, value in named.items()):
                    return message, said

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class BoardProcess:
    def __init__(self, command: list[str], folder: Path, broker_port: int) -> None:
        self._script_port = _free_port(socket.SOCK_DGRAM)
        self.pin_log = folder / "pins.jsonl"
        path = folder / "config.json"
        config = {
            **CONFIG,
            "port": broker_port,
            "control_port": self._script_port,
            "pin_log": str(self.pin_log),
        }
        path.write_text(json.dumps(config), encoding="utf-8")
        with (folder / "board.out").open("wb") as said:
            self.process = subprocess.Popen(
                [*command, str(FIRMWARE / "main.py"), str(path)],
                stdout=said,
                stderr=subprocess.STDOUT,
            )
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def command(self, line: str) -> None:
        self._socket.sendto(line.encode(), ("127.0.0.1", self._script_port))

    def levels(self) -> list[tuple[int, str, int]]:
        rows = [json.loads(line) for line in self.pin_log.read_text().splitlines()]
        return [(row["ms"], row["output"], row["level"]) for row in rows]

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(PATIENCE_S)
        self._socket.close()


def _free_port(kind: int) -> int:
    with socket.socket(socket.AF_INET, kind) as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


def _without_delay(_client: mqtt.Client, _data: Any, opened: Any) -> None:
    opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    yield made
    made.kill()


@pytest.fixture
def controller(broker: Broker) -> Iterator[Controller]:
    made = Controller(broker.port)
    yield made
    made.close()


@pytest.fixture(params=sorted(BOARDS))
def board(
    request: pytest.FixtureRequest, tmp_path: Path, broker: Broker, controller: Controller
) -> Iterator[BoardProcess]:
    made = BoardProcess(BOARDS[request.param], tmp_path, broker.port)
    try:
        controller.hears("gate/presence", state="here")
        yield made
    finally:
        made.kill()


def test_presence_is_kept_and_turns_to_gone_when_the_board_dies(
    broker: Broker, controller: Controller, board: BoardProcess
) -> None:
    late = Controller(broker.port)
    kept, here = late.hears("gate/presence")
    late.close()
    assert kept.retain
    assert (here["state"], here["conn"], here["reset"]) == ("here", 1, "power-on")

    board.process.kill()

    _, gone = controller.hears("gate/presence", state="gone")
    assert (gone["boot"], gone["conn"]) == (here["boot"], 1)


def test_a_motion_arrives_with_qos_1_and_its_sensors_clearing_at_once(
    controller: Controller, board: BoardProcess
) -> None:
    board.command("motion gate-pir")
    message, motion = controller.hears("gate/motion")
    assert (message.qos, message.retain) == (1, False)
    assert (motion["sensor"], motion["seq"], motion["age_ms"]) == ("gate-pir", 1, 0)
    time.sleep(0.02)  # the sensor has to be high for a while of the board's own time
    board.command("clear gate-pir")

    _, health = controller.hears("gate/health", motions={"gate-pir": 1, "stop-button": 0})

    assert 10 <= health["active"]["gate-pir"] < 4000


def test_a_cue_plays_once(controller: Controller, board: BoardProcess) -> None:
    controller.say("gate/cue", cue(1000))
    controller.hears("gate/report", state="refused", why="no-beat")
    controller.say("all/beat", beat(1000), qos=0)
    controller.say("gate/cue", cue(1000))
    controller.hears("gate/report", cue="c-1", state="started")
    controller.say("gate/cue", cue(1000))
    controller.hears("gate/report", cue="c-1", state="refused", why="repeat")
    controller.hears("gate/report", cue="c-1", state="finished")

    eyes = [(ms, level) for ms, output, level in board.levels() if output == "eyes"]
    assert [level for _, level in eyes] == [0, 1, 0]
    assert 1000 <= eyes[2][0] - eyes[1][0] < 1500


def test_a_stop_kept_by_the_broker_holds_a_board_that_boots_later(
    controller: Controller, board: BoardProcess
) -> None:
    controller.say("all/stop", stop(4, stopped=True), retain=True)
    controller.hears("gate/health", stopped=True, epoch=4)

    board.command("reboot")
    _, here = controller.hears("gate/presence", state="here", conn=1)
    controller.hears("gate/health", boot=here["boot"], stopped=True, epoch=4)
    controller.say("all/beat", beat(1000, 4), qos=0)
    controller.say("gate/cue", cue(1000, epoch=4))
    controller.hears("gate/report", state="refused", why="stopped")
    controller.say("all/stop", stop(5, stopped=False), retain=True)
    controller.hears("gate/health", stopped=False, epoch=5)
    controller.say("gate/cue", cue(1000, epoch=5))

    controller.hears("gate/report", state="started")


def test_a_motion_during_an_outage_arrives_after_it_with_its_age(
    broker: Broker, controller: Controller, board: BoardProcess
) -> None:
    broker.kill()
    board.command("button gate-pir")
    broker.start()
    back = Controller(broker.port)
    try:
        _, motion = back.hears("gate/motion")
    finally:
        back.close()

    assert motion["seq"] == 1
    assert motion["age_ms"] > 0
    assert controller is not back


def test_a_motion_is_not_held_back_by_small_packets(
    controller: Controller, board: BoardProcess
) -> None:
    bare, through_board = [], []
    for number in range(1, ROUNDS + 1):
        began = time.perf_counter_ns()
        controller.say("probe/motion", b"{}")
        controller.hears("probe/motion")
        bare.append(time.perf_counter_ns() - began)
        began = time.perf_counter_ns()
        board.command("button gate-pir")
        controller.hears("gate/motion", seq=number)
        through_board.append(time.perf_counter_ns() - began)

    ratio = statistics.median(through_board) / statistics.median(bare)
    print(f"bare {statistics.median(bare) / 1e6:.2f} ms, board x{ratio:.2f}")
    # Waiting for an acknowledgement would be 44 ms, some hundred times a bare publish.
    assert ratio < 10


def test_a_small_heap_outlasts_a_storm(controller: Controller, board: BoardProcess) -> None:
    controller.say("all/beat", beat(10_000_000), qos=0)
    for number in range(1, 2001):
        board.command("button gate-pir")
        controller.say("gate/cue", cue(1000, name=f"storm-{number}"))
        controller.hears("gate/motion", seq=number)
    controller.say("gate/cue", cue(1000, name="after-the-storm"))
    controller.hears("gate/report", cue="after-the-storm", state="refused")

    assert board.process.poll() is None


def test_on_pins_a_cue_moves_them_and_an_interrupt_leaves_them_at_rest(
    broker: Broker, controller: Controller
) -> None:
    script = str(Path(__file__).parent / "pinned.py")
    process = subprocess.Popen(
        [*BOARDS["micropython"], script, str(broker.port)], stdout=subprocess.PIPE, text=True
    )
    try:
        controller.hears("gate/presence", state="here")
        controller.say("all/beat", beat(1000), qos=0)
        said = {**json.loads(cue(1000, max_ms=600)), "prop": "keeper"}
        controller.say("gate/cue", json.dumps(said).encode())
        controller.hears("gate/report", state="finished")
        process.send_signal(signal.SIGINT)
        found = json.loads(process.communicate(timeout=PATIENCE_S)[0])
    finally:
        process.kill()
        process.wait(PATIENCE_S)

    shown = {pin: [level for _, p, level in found["log"] if p == pin] for pin in REST}
    assert max(shown[14]) == 52428  # the motor's back side at 800 of 1000
    assert 65535 in shown[15]
    assert 0 in shown[17]  # a relay that is on when low
    levels = {int(pin): level for pin, level in found["levels"].items()}
    assert levels == {**REST, 12: ARM_HOME}
    assert found["fed"] > 10
