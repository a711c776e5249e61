"""Two servers on one PostgreSQL and one Mosquitto, boards that move all the while, and the verdict.

Nothing here does harm: what befalls them is `standby.py` and `rolling.py`.
"""

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from itertools import cycle, takewhile
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from haunt.mqtt.kept import mosquitto
from tests.cluster import Cluster, of_its_own
from tests.soak.garden import SHOW_ID, CountingBoard, show_of, until
from tests.soak.nursery import Born, Nursery
from tests.soak.outcome import Outcome
from tests.soak.spaces import Space
from tests.soak.ways import ProxyWay, Way
from tests.system.house import ROOT, free_port, typed

BOARDS: Final = ("b1", "b2", "b3")
PACE_S: Final = 0.1
END_S: Final = 60.0
DATABASE: Final = "night"
ROLES: Final = ["owner", "standby"]
KNOWN: Final = """
SELECT 1 FROM settings AS owner, settings AS standby
WHERE owner.key = 'owner' AND standby.key = 'standby' AND (owner.value::json->>'guarded')::boolean
AND (owner.value::json->>'at_ms')::bigint > (standby.value::json->>'at_ms')::bigint
"""
"""Whoever runs the show was confirmed since the other was heard, and promises to be silent."""


class Twin:
    """One of the two, wherever it runs; born of a nursery, where it has one."""

    def __init__(self, name: str, folder: Path, way: Way, nursery: Nursery | None = None) -> None:
        self._nursery = nursery
        self.name, self.way, self.show = name, way, folder / "show.toml"
        self.data, self.log = folder / name, folder / f"{name}.log"
        self.port = free_port()
        self.address = f"{way.own}:{self.port}"
        self.reaches: tuple[str, str] = ("", "")
        self.process: subprocess.Popen[bytes] | Born | None = None

    def start(self) -> None:
        database, broker = self.reaches
        line = ["serve", "--data", str(self.data)]
        line += ["--database", f"postgresql://haunt@{database}/{DATABASE}"]
        line += ["--broker", f"mqtt://{broker}", "--show", str(self.show)]
        line += ["--listen", self.address]
        if self._nursery is not None:
            self.process = self._nursery.bear(["none", "0", *line], self.log, self.way.space)
            return
        line = [*self.way.before, sys.executable, "-m", "haunt", *line]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(line, stderr=log, cwd=ROOT)

    def ask(self, path: str, token: str = "", method: str = "GET") -> tuple[int, Any]:
        """Return (status, JSON); 0 where nobody answers."""
        asked = Request(f"http://{self.address}{path}", method=method)
        asked.add_header("authorization", f"Bearer {token}")
        try:
            with urlopen(asked, timeout=1) as answer:
                return answer.status, json.load(answer)
        except HTTPError as fault:
            return fault.code, json.load(fault)
        except (OSError, ValueError):
            return 0, None

    @property
    def state(self) -> str:
        status, told = self.ask("/readyz")
        if told is None:
            return "away"
        return "standby" if told.get("standby") else ("owner" if status == 200 else "beginning")

    def names(self) -> str:
        """What it says is amiss: a standby names who runs the show there."""
        return str((self.ask("/readyz")[1] or {}).get("faults"))

    def signal(self, sign: int) -> None:
        assert self.process is not None
        self.process.send_signal(sign)

    def end(self) -> tuple[float, int]:
        """In order; return the seconds that it took, and what it ended with, 0 if born here."""
        began_s = time.monotonic()
        self.signal(signal.SIGTERM)
        assert self.process is not None
        code = self.process.wait(END_S)
        return time.monotonic() - began_s, code

    def kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


class Watched(CountingBoard):
    """Keeps the epoch of every cue in the order in which they came, and when which played."""

    def __init__(self, account: dict[str, Any], boot: str) -> None:
        self.epochs: list[int] = []
        self.played: list[tuple[float, int]] = []
        super().__init__(account, boot)

    def _play(self, cue: dict[str, Any], *, retained: bool) -> None:
        self.epochs.append(cue["epoch"])
        before = len(self.plays)
        super()._play(cue, retained=retained)
        if len(self.plays) > before:
            self.played.append((time.monotonic(), cue["epoch"]))


class Walking:
    """Somebody is at one board after the other, all the while."""

    def __init__(self, boards: list[Watched]) -> None:
        self._boards = boards
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def begin(self) -> None:
        self._ending.clear()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def end(self) -> None:
        self._ending.set()
        if self._thread is not None:
            self._thread.join()

    def _run(self) -> None:
        for board in cycle(self._boards):
            if self._ending.wait(PACE_S / len(self._boards)):
                return
            board.motion()


class Pair(NamedTuple):
    twins: tuple[Twin, Twin]
    boards: list[Watched]
    cluster: Cluster
    walking: Walking

    def roles(self) -> tuple[Twin, Twin]:
        """Return (owner, standby), once each knows of the other."""
        until(lambda: sorted(each.state for each in self.twins) == ROLES, f"two: {self.said()}")
        until(lambda: self.rows(KNOWN), f"the owner to know of its standby: {self.said()}")
        owner, standby = sorted(self.twins, key=lambda each: each.state)
        return owner, standby

    def said(self) -> str:
        return "; ".join(f"{e.name} {e.state}: {e.log.read_text()[-300:]!r}" for e in self.twins)

    def board(self, name: str) -> Watched:
        return next(each for each in self.boards if each.id == name)

    def epoch(self) -> int:
        """Return the highest that was told by a beat or by a cue, whichever came first."""
        return max(max([each.epoch, *each.epochs[-1:]]) for each in self.boards)

    def await_epoch_after(self, epoch: int, why: str) -> None:
        boards = self.boards
        until(lambda: all(e.epoch > epoch for e in boards), f"a new epoch; {why}, {self.said()}")

    def await_play_after(self, since_s: float, why: str) -> float:
        """Return when the first cue played after this instant."""
        until(lambda: self.plays(since_s), f"a cue; {why}, {self.said()}")
        return self.plays(since_s)[0][0]

    def plays(self, since_s: float) -> list[tuple[float, int]]:
        """Return (when, under which epoch) cues played since, at whatever board."""
        return sorted(
            each
            for board in self.boards
            for each in takewhile(lambda play: play[0] > since_s, reversed(board.played[:]))
        )

    def rows(self, statement: str) -> list[tuple[Any, ...]]:
        with self.cluster.connect(DATABASE) as connection:
            return connection.execute(statement.encode()).fetchall()

    def token(self) -> str:
        """Let us in as an owner of the show, at either server."""
        data = ["--data", str(self.twins[0].data), "--database", self.cluster.url(DATABASE)]
        made = typed("tokens", "add", "--role", "owner", *data, "--json")
        return str(json.loads(made.stdout)["token"])


@contextmanager
def pair(folder: Path, *, in_spaces: bool, born: bool = False) -> Iterator[Pair]:
    """Yield the two, the first of which runs the show, with motions coming all the while.

    Where they are `born`, a start costs no import: for tests, which have many.
    """
    with ExitStack() as ending:
        ways = [ending.enter_context(_way(slot, in_spaces=in_spaces)) for slot in range(2)]
        nursery = ending.enter_context(Nursery()) if born else None
        host = [at.partition(":")[0] for way in ways if in_spaces for at in _both(way, 0, 0)]
        cluster = ending.enter_context(of_its_own(host))
        cluster.tell(f"CREATE DATABASE {DATABASE}")
        port = ending.enter_context(_broker(folder, host))
        (folder / "show.toml").write_text(show_of(BOARDS))
        first, second = (
            Twin(name, folder, way, nursery)
            for name, way in zip(("first", "second"), ways, strict=True)
        )
        for each in (first, second):
            each.reaches = _both(each.way, cluster.port, port)
            ending.callback(each.kill)
        first.start()
        until(lambda: first.state == "owner", "the first to run the show")
        second.start()
        boards = _boards(port, ending)
        walking = Walking(boards)
        ending.callback(walking.end)
        walking.begin()
        found = Pair((first, second), boards, cluster, walking)
        found.await_play_after(time.monotonic(), "the first")
        until(lambda: second.state == "standby", "the second to stand by")
        yield found


def _boards(port: int, ending: ExitStack) -> list[Watched]:
    common = {"host": "127.0.0.1", "port": port, "password": "x", "root": f"haunt/{SHOW_ID}"}
    found = []
    for at, name in enumerate(BOARDS):
        found.append(Watched({**common, "username": name}, f"7f3a91c2{at:04x}"))
        ending.callback(found[-1].close)
    return found


@contextmanager
def _way(slot: int, *, in_spaces: bool) -> Iterator[Way]:
    with Space(f"s{slot}", slot) if in_spaces else ProxyWay() as found:
        yield found


def _both(way: Way, database: int, broker: int) -> tuple[str, str]:
    return way.database(database), way.broker(broker)


def judge(two: Pair, outcome: Outcome) -> None:
    """Never two deciders: hold what the boards saw against what the journal has."""
    _settle(two)
    epochs = [row[0] for row in two.rows("SELECT epoch FROM cues ORDER BY id")]
    outcome.expect(
        epochs == sorted(epochs), "the journal has cues of an earlier owner after a later"
    )
    numbers = [row[0] for row in two.rows("SELECT number FROM events ORDER BY number")]
    outcome.expect(len(numbers) == len(set(numbers)), "two wrote under one number")
    cues = [row[0] for row in two.rows("SELECT cue FROM cues")]
    outcome.noted["cues written twice"] += len(cues) - len(set(cues))
    for board in two.boards:
        _judge_board(two, board, outcome)


def _settle(two: Pair) -> None:
    two.walking.end()
    for each in two.boards:
        each.motion().wait_for_publish(30)
    sent = sum(each.seq for each in two.boards)
    decided = "SELECT count(*) FROM decisions WHERE source = 'motion'"
    until(lambda: int(two.rows(decided)[0][0]) >= sent, "the last motions to be decided")


def _judge_board(two: Pair, board: Watched, outcome: Outcome) -> None:
    decided = two.rows(
        f"SELECT seq FROM decisions WHERE board = '{board.id}' AND source = 'motion'"
    )
    found = sorted(row[0] for row in decided)
    wanted = list(range(1, board.seq + 1))
    missing, several = set(wanted) - set(found), len(found) - len(set(found))
    outcome.expect(not missing, f"{board.id}: motions {sorted(missing)[:9]} were never decided")
    outcome.expect(not several, f"{board.id}: {several} motions were decided more than once")
    outcome.expect(
        board.epochs == sorted(board.epochs), f"{board.id} heard an older owner after a newer"
    )
    twice = [cue for cue, times in board.plays.items() if times > 1]
    outcome.expect(not twice, f"{board.id}: cues {twice[:3]} played twice")
    outcome.noted["motions"] += board.seq
    outcome.noted["cues played"] += len(board.plays)
    outcome.noted["cues heard again, and refused"] += board.bad["repeat"]
    outcome.noted["cues of an older epoch, refused"] += board.bad["old-epoch"]


@contextmanager
def _broker(folder: Path, also_on: Sequence[str]) -> Iterator[int]:
    """One for both, as somebody's own would be; it lets everybody in."""
    binary, port = mosquitto(), free_port()
    assert binary is not None, "Mosquitto is missing: apt-get install mosquitto"
    listeners = "".join(f"listener {port} {each}\n" for each in ("127.0.0.1", *also_on))
    conf = folder / "mosquitto.conf"
    conf.write_text(
        f"{listeners}allow_anonymous true\nset_tcp_nodelay true\n"
        "max_inflight_messages 0\nmax_queued_messages 20000\n"
    )
    with (folder / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([binary, "-c", conf], stdout=log, stderr=log)
    try:
        yield port
    finally:
        process.terminate()
        process.wait(10)
