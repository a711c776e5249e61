"""Goal: a show runs at a Mosquitto that somebody else keeps, from the files that we wrote for it.

Method: the files of `haunt boards export` are copied into a folder of the keeper's, whose own
configuration includes them; Mosquitto, the server and boards are real processes. Over TLS the
authority is of `haunt certs`. What boards may do is tried by the same attacks as at our own broker.
"""

import json
import shutil
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

from haunt.wire.topics import Topics
from tests.mqtt.raw import RawClient, Will, connect, publish, subscribe
from tests.mqtt.stage import MOSQUITTO
from tests.system.house import HAUNT, ROOT, SHOW, House, Server, free_port, until

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]
TOPICS: Final = Topics("yard")


def run(data: Path, *words: str) -> str:
    out = subprocess.run(
        [*HAUNT, *words, "--data", data], check=True, capture_output=True, cwd=ROOT
    )
    return out.stdout.decode()


class Keeper:
    """Whoever keeps the other broker: a folder, a configuration of their own, and our files."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder / "keeper", port
        self.ours = self.folder / "haunt"
        self.ours.mkdir(parents=True)
        self._settings = self.folder / "main.conf"
        self._settings.write_text(
            f"user root\npersistence_location {self.folder}/\ninclude_dir {self.ours}\n"
        )

    def take(self, exported: Path) -> None:
        for each in exported.iterdir():
            shutil.copy(each, self.ours)

    @contextmanager
    def running(self) -> Iterator[subprocess.Popen[bytes]]:
        assert MOSQUITTO is not None
        log = (self.folder / "log").open("wb")
        broker = subprocess.Popen([MOSQUITTO, "-c", self._settings], stderr=log, stdout=log)
        log.close()
        try:
            until(self._answers, f"the broker: {(self.folder / 'log').read_text()}")
            yield broker
        finally:
            broker.terminate()
            broker.wait(10)

    def _answers(self) -> bool:
        try:
            RawClient(self.port).close()
        except OSError:
            return False
        return True


def exported(data: Path, keeper: Keeper, *more: str) -> None:
    out = data.parent / "out"
    words = ("boards", "export", str(out), "--at", str(keeper.ours), "--port", str(keeper.port))
    said = run(data, *words, *more)
    assert "include_dir" in said
    keeper.take(out)


@pytest.fixture
def keeper(tmp_path: Path) -> Keeper:
    return Keeper(tmp_path, free_port())


def made_show(folder: Path) -> Path:
    show = folder / "first.toml"
    show.write_text(SHOW)
    data = folder / "data"
    data.mkdir()
    run(data, "import", str(show))
    return data


def test_the_main_job_runs_at_somebody_elses_broker(tmp_path: Path, keeper: Keeper) -> None:
    url = f"mqtt://127.0.0.1:{keeper.port}"
    house = House(tmp_path, SHOW, more=("--broker", url))
    run(house.server.data, "import", str(house.server.show))
    exported(house.server.data, keeper)  # the controller's own account; boards come later
    with keeper.running() as broker, house:
        house.server.credential("gate")
        with_gate = json.loads(run(house.server.data, "boards", "rotate", "gate", "--json"))
        exported(house.server.data, keeper)
        broker.send_signal(1)  # as the words of the export say
        password = with_gate["password"].encode()
        until(lambda: _welcome(keeper.port, b"gate", password), "the new board to be let in")
        with RawClient(keeper.port) as board:
            assert board.sign_in(connect(b"gate", password)) == 0
            board.send(subscribe(TOPICS.cue("gate").encode()))
            board.heard()
            board.send(_presence("gate") + _motion("gate", "gate-mat"))
            until(house.server.decisions, "a decision")
            [cue] = [each for each in board.heard() if each.topic.endswith(b"/cue")]
        [decision] = house.server.decisions()

    assert decision["outcome"] == "fired"
    assert json.loads(cue.payload)["cue"] == decision["cue"]


def _welcome(port: int, name: bytes, password: bytes) -> bool:
    with RawClient(port) as client:
        return client.sign_in(connect(name, password)) == 0


def _presence(board: str) -> bytes:
    said = {"state": "here", "boot": "7f3a91c2d405", "conn": 1, "fw": "t", "up_ms": 600_000}
    body = json.dumps({**said, "reset": "power-on"}).encode()
    return publish(TOPICS.presence(board).encode(), body)


def _motion(board: str, sensor: str) -> bytes:
    body = json.dumps({"sensor": sensor, "boot": "7f3a91c2d405", "seq": 1, "age_ms": 0})
    return publish(TOPICS.motion(board).encode(), body.encode())


def test_a_board_there_reaches_its_own_topics_only(tmp_path: Path, keeper: Keeper) -> None:
    data = made_show(tmp_path)
    passwords = {
        board: json.loads(run(data, "boards", "add", board, "--json"))["password"].encode()
        for board in ("gate", "well")
    }
    exported(data, keeper)
    with keeper.running(), RawClient(keeper.port) as victim:
        assert victim.sign_in(connect(b"gate", passwords["gate"])) == 0
        victim.send(subscribe(TOPICS.cue("gate").encode()) + subscribe(b"#"))
        victim.heard()
        foreign = TOPICS.cue("gate").encode()
        will = Will(foreign, b"will")
        with RawClient(keeper.port) as rogue:
            assert rogue.sign_in(connect(b"well", passwords["well"], b"gate", will=will)) == 0
            rogue.send(publish(foreign, b"x") + publish(TOPICS.stop.encode(), b"{}"))
            rogue.heard()
        assert not _welcome(keeper.port, b"gate", passwords["well"])
        assert not _welcome(keeper.port, b"", b"")
        with RawClient(keeper.port) as own:
            assert own.sign_in(connect(b"well", passwords["well"])) == 0
            own.send(subscribe(TOPICS.cue("well").encode()))
        assert victim.heard() == []


def test_over_tls_the_authority_decides_who_is_the_broker(tmp_path: Path, keeper: Keeper) -> None:
    data = made_show(tmp_path)
    credential = json.loads(run(data, "boards", "add", "gate", "--json"))
    certs = tmp_path / "elsewhere"
    certs.mkdir()
    run(certs, "certs", "--name", "localhost")
    exported(data, keeper, "--tls")
    ca = next(certs.rglob("ca.pem"))
    for name in ("server.pem", "server-key.pem"):
        shutil.copy(ca.with_name(name), keeper.ours)
    url = f"mqtts://localhost:{keeper.port}"
    password = credential["password"].encode()
    with keeper.running():
        with serving(data, "--broker", url, "--broker-ca", str(ca)) as server:
            until(lambda: server.ask("GET", "/readyz")[0] == 200, "the link over TLS")
            with RawClient(keeper.port, ssl.create_default_context(cafile=ca)) as board:
                assert board.sign_in(connect(b"gate", password)) == 0
                board.send(subscribe(TOPICS.cue("gate").encode()))
                board.send(_presence("gate") + _motion("gate", "gate-mat"))
                [decision] = until(server.decisions, "the decision")
                [cue] = [each for each in board.heard() if each.topic.endswith(b"/cue")]
        assert json.loads(cue.payload)["cue"] == decision["cue"]
        with serving(data, "--broker", url) as stranger:
            log = data.parent / "server.log"
            until(lambda: "certificate verify failed" in log.read_text(), "the refusal to be said")
            assert stranger.ask("GET", "/readyz")[0] == 503


@contextmanager
def serving(data: Path, *more: str) -> Iterator[Server]:
    server = Server(data, data.parent / "first.toml", more=more)
    try:
        yield server.start()
    finally:
        server.end()
