"""Goal: `haunt boards test` passes boards that keep to the contract and names what others break.

Method: real boards at real Mosquitto, all tried at once, each in a data folder of its own: the
firmware on MicroPython's Unix port, the C++ example, and four that break one promise each.
"""

import json
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Lock
from typing import NamedTuple, Protocol

import pytest

from haunt.bootstrap.boardtest import hold_trial, plan
from haunt.bootstrap.boardwire import TrialRefused
from haunt.bootstrap.folder import alone
from haunt.config import read_config
from haunt.study.conformance.script import CHECKS
from haunt.study.conformance.verdicts import Finding, Verdict
from tests.fakes.spoiltboards import SpoiltBoard
from tests.firmware.example import COMPILER, ExampleBoard, sketch
from tests.firmware.modules import FIRMWARE, MICROPYTHON
from tests.firmware.test_real_broker import Broker
from tests.system.house import HAUNT, free_port, until
from tests.system.yards import Yard, board_file, yard_in

pytestmark = pytest.mark.system

SPOILT = {
    "plays-late": "late",
    "ignores-stop": "stop",
    "plays-repeats": "repeat",
    "without-will": "will",
}
WAVES_S = (2.0, 1.0)
WAVE_S = 0.1


class Board(Protocol):
    def kill(self) -> object: ...


def told(yard: Yard, *words: str, text: str = "") -> "subprocess.CompletedProcess[str]":
    """What the command line says of this yard's board."""
    where = ["--data", str(yard.config.data), "--mqtt", f"127.0.0.1:{yard.port}"]
    return subprocess.run(
        [*HAUNT, "boards", "test", "gate", *where, *words],
        input=text,
        capture_output=True,
        text=True,
        check=False,
        timeout=90,
    )


ONE_MIGRATION = Lock()
"""Alembic has one context a process, and a trial by the command line has a process of its own."""


class Tried(NamedTuple):
    code: int
    out: str
    findings: dict[str, dict[str, str]]

    @property
    def bad(self) -> list[str]:
        return [name for name, each in self.findings.items() if each["verdict"] == "bad"]


def by_command(yard: Yard) -> Tried:
    done = told(yard, "--yes", "--json")
    assert done.returncode in {0, 1}, done.stderr
    said = json.loads(done.stdout)
    assert said["good"] is (done.returncode == 0)
    return Tried(done.returncode, done.stderr, {each["check"]: each for each in said["checks"]})


def by_call(yard: Yard) -> Tried:
    lines: list[Finding] = []
    found = until(lambda: _held(yard, lines.append), "the folder to be free")
    assert lines == found
    code = int(any(each.verdict is Verdict.BAD for each in found))
    out = "\n".join(each.line for each in found)
    return Tried(code, out, {each.check: each._asdict() for each in found})


def _held(yard: Yard, say: Callable[[Finding], None]) -> list[Finding] | None:
    """None where the folder's lock lives on for a moment: in a child of another thread, which has
    been forked and has not yet begun its own program.
    """
    try:
        with ONE_MIGRATION:
            trial = plan(yard.config, "gate", None, 0, is_told=True)
        return hold_trial(yard.config, trial, say)
    except TrialRefused as refused:
        if "another haunt" not in str(refused):
            raise
        return None


def micropython(yard: Yard) -> Iterator[Callable[[int], None]]:
    pins = free_port()
    path = yard.folder / "board.json"
    path.write_text(json.dumps(board_file(yard) | {"control_port": pins}))
    process = subprocess.Popen(
        [MICROPYTHON, FIRMWARE / "main.py", path],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )

    def sense(level: int) -> None:
        word = "motion" if level else "clear"
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            out.sendto(f"{word} gate-pir".encode(), ("127.0.0.1", pins))

    yield sense
    assert process.poll() is None
    process.kill()
    process.wait(10)


def example(yard: Yard) -> Iterator[Callable[[int], None]]:
    board = ExampleBoard("127.0.0.1", yard.port, yard.credential, free_port())
    yield board.sense
    assert board.kill(), "it did not live through it: a guard of the compiler ended it"


def spoilt(kind: str) -> Callable[[Yard], Iterator[Callable[[int], None]]]:
    def made(yard: Yard) -> Iterator[Callable[[int], None]]:
        board = SpoiltBoard(kind, board_file(yard)).start()
        yield lambda level: board.tell(f"{'motion' if level else 'clear'} gate-pir")
        board.kill()

    return made


def tried(
    yard: Yard,
    board: Callable[[Yard], Iterator[Callable[[int], None]]],
    by: Callable[[Yard], Tried],
) -> Tried:
    """Start the board once its broker listens, wave at its sensor, wait for the verdict."""
    if board is example:
        sketch()
    with ThreadPoolExecutor(1) as pool:
        verdict: Future[Tried] = pool.submit(by, yard)
        until(lambda: verdict.done() or listens(yard.port), "the trial's broker to listen")
        standing = board(yard)
        sense = next(standing)
        for pause_s in WAVES_S:
            time.sleep(pause_s)
            sense(1)
            time.sleep(WAVE_S)
            sense(0)
        found = verdict.result(90)
        assert next(standing, None) is None
        return found


def listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


@pytest.fixture(scope="module")
def trials(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Tried]:
    folder = tmp_path_factory.mktemp("trials")
    boards = {"micropython": micropython, **{kind: spoilt(kind) for kind in SPOILT}}
    if COMPILER is not None:
        boards["example"] = example
    yards = {name: yard_in(folder / name) for name in (*boards, "foreign")}
    with ThreadPoolExecutor(len(yards)) as pool:
        foreign = pool.submit(at_a_broker_of_others, yards["foreign"])
        running = {
            name: pool.submit(
                tried,
                yards[name],
                board,
                by_command if name == "micropython" else by_call,
            )
            for name, board in boards.items()
        }
        found = {name: each.result() for name, each in running.items()}
        return found | {"foreign": foreign.result()}


def at_a_broker_of_others(yard: Yard) -> Tried:
    """One that lets everybody in and that we can neither look into nor cut lines at."""
    broker = Broker(yard.folder)
    board = SpoiltBoard("whole", board_file(yard) | {"port": broker.port}).start()
    url = {"broker": f"mqtt://127.0.0.1:{broker.port}"}
    try:
        return by_call(yard._replace(config=read_config(yard.config.data, url, {})))
    finally:
        board.kill()
        broker.kill()


@pytest.mark.parametrize("board", ["micropython", "example"])
def test_a_board_that_keeps_to_the_contract_passes_every_check(
    trials: dict[str, Tried], board: str
) -> None:
    found = trials[board]

    assert [
        (each["check"], each["seen"]) for each in found.findings.values() if _not_good(each)
    ] == []
    assert list(found.findings) == [check.name for check in CHECKS]
    assert found.code == 0


def _not_good(each: dict[str, str]) -> bool:
    return each["verdict"] != "good"


@pytest.mark.parametrize(("board", "check"), SPOILT.items())
def test_a_board_that_breaks_one_promise_fails_that_check_alone(
    trials: dict[str, Tried], board: str, check: str
) -> None:
    assert (trials[board].bad, trials[board].code) == ([check], 1), trials[board].out


def test_at_a_broker_of_others_what_cannot_be_seen_is_said_not_to_be_tried(
    trials: dict[str, Tried],
) -> None:
    found = trials["foreign"]
    untried = [name for name, each in found.findings.items() if each["verdict"] == "not tried"]

    assert (found.bad, found.code) == ([], 0), found.out
    assert untried == ["sign-in", "will", "conn", "retained", "no-beat", "motions", "flags"]


def test_whoever_stands_there_is_warned_before_anything_moves(trials: dict[str, Tried]) -> None:
    assert trials["micropython"].out.startswith("gatekeeper on board gate will move")
    assert "Hands, hair and cables clear" in trials["micropython"].out


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Yard:
    return yard_in(tmp_path_factory.mktemp("yard") / "one")


def test_without_a_yes_nothing_is_started(yard: Yard) -> None:
    done = told(yard, text="n\n")

    assert done.returncode == 2
    assert not (yard.config.data / "board-test").exists()


def test_while_a_server_has_the_folder_there_is_no_trial(yard: Yard) -> None:
    with alone(yard.config.data), pytest.raises(TrialRefused, match="end it first"):
        plan(yard.config, "gate", None, 0, is_told=True)


def test_an_unknown_board_is_refused_with_those_that_there_are(yard: Yard) -> None:
    with pytest.raises(TrialRefused, match="there are: gate"):
        plan(yard.config, "cellar", None, 0, is_told=True)


def test_what_could_hurt_moves_only_by_name(yard: Yard) -> None:
    assert plan(yard.config, "gate", None, 0, is_told=True).subject.prop == "gatekeeper"
    assert plan(yard.config, "gate", "guillotine", 0, is_told=True).subject.prop == "guillotine"
    with pytest.raises(TrialRefused, match="no prop 'raven'"):
        plan(yard.config, "gate", "raven", 0, is_told=True)


def test_a_trial_leaves_the_folder_as_it_was_but_for_the_epoch(
    trials: dict[str, Tried], tmp_path_factory: pytest.TempPathFactory
) -> None:
    for latch in tmp_path_factory.getbasetemp().glob("trials*/*/data/stop"):
        said = json.loads(latch.read_text())
        assert said["stopped"] is False
        assert said["epoch"] > len(SPOILT)
    assert trials
    assert not list(tmp_path_factory.getbasetemp().glob("trials*/*/data/board-test"))
    assert not list(tmp_path_factory.getbasetemp().glob("trials*/*/data/broker/mosquitto.conf"))
