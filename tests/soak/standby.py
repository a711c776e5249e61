"""Two servers on one PostgreSQL and one Mosquitto; who has the show is killed, frozen, cut off.

The other takes over within ten seconds; the history afterwards shows never two deciders: at every
board and in the journal epochs only rise, every motion is decided once, no cue plays twice.
"""

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.error import HTTPError
from urllib.request import Request, urlopen

from haunt.core.dice import draw
from haunt.mqtt.kept import mosquitto
from tests.cluster import Cluster, of_its_own
from tests.soak.garden import SHOW_ID, CountingBoard, show_of, until
from tests.soak.outcome import Outcome
from tests.soak.proxy import PASS, SWALLOW, Proxy
from tests.system.house import ROOT, free_port, typed

SHORT: Final = ("killed", "frozen", "cut off from the database alone")
KINDS: Final = (*SHORT, "cut off")
BOARDS: Final = ("b1", "b2", "b3")
TAKEOVER_S: Final = 10.0
PACE_S: Final = 0.1
DATABASE: Final = "night"


class Twin:
    """One of the two; what it reaches goes through wires of its own."""

    def __init__(self, name: str, folder: Path, show: Path, ports: tuple[int, int]) -> None:
        self.name, self.show = name, show
        self.data, self.log = folder / name, folder / f"{name}.log"
        self.port = free_port()
        self.wires = tuple(Proxy(each) for each in ports)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        database, broker = self.wires
        line = [sys.executable, "-m", "haunt", "serve", "--data", str(self.data)]
        line += ["--database", f"postgresql://haunt@127.0.0.1:{database.port}/{DATABASE}"]
        line += ["--broker", f"mqtt://127.0.0.1:{broker.port}", "--show", str(self.show)]
        line += ["--listen", f"127.0.0.1:{self.port}"]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(line, stderr=log, cwd=ROOT)

    def ask(self, path: str, token: str = "", method: str = "GET") -> tuple[int, Any]:
        """Return (status, JSON); 0 where nobody answers."""
        asked = Request(f"http://127.0.0.1:{self.port}{path}", method=method)
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

    def signal(self, sign: int) -> None:
        assert self.process is not None
        self.process.send_signal(sign)

    def kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()

    def cut(self, mode: str, wires: int = 2) -> None:
        """The first wire is the database's, the second the broker's."""
        for each in self.wires[:wires]:
            each.mode = mode
            if mode == PASS:
                each.cut()


class Watched(CountingBoard):
    """Keeps the epoch of every cue in the order in which they came."""

    def __init__(self, account: dict[str, Any], boot: str) -> None:
        self.epochs: list[int] = []
        self.last_play_s = 0.0
        super().__init__(account, boot)

    def _play(self, cue: dict[str, Any], *, retained: bool) -> None:
        self.epochs.append(cue["epoch"])
        before = len(self.plays)
        super()._play(cue, retained=retained)
        if len(self.plays) > before:
            self.last_play_s = time.monotonic()


def run(
    count: int, seed: int, folder: Path, kinds: tuple[str, ...] = KINDS, slack: int = 1
) -> Outcome:
    """`slack` times as long a takeover is borne: a busy machine in the tests."""
    outcome = Outcome()
    with ExitStack() as ending:
        cluster = ending.enter_context(of_its_own())
        cluster.tell(f"CREATE DATABASE {DATABASE}")
        port = ending.enter_context(_broker(folder))
        show = folder / "show.toml"
        show.write_text(show_of(BOARDS))
        twins = [Twin(name, folder, show, (cluster.port, port)) for name in ("first", "second")]
        for each in twins:
            for wire in each.wires:
                ending.enter_context(wire)
            ending.callback(each.kill)
        twins[0].start()
        until(lambda: twins[0].state == "owner", "the first to run the show")
        twins[1].start()
        until(lambda: twins[1].state == "standby", "the second to stand by")
        account = {"host": "127.0.0.1", "port": port, "password": "x", "root": f"haunt/{SHOW_ID}"}
        boards = [
            Watched({**account, "username": each}, f"7f3a91c2{at:04x}")
            for at, each in enumerate(BOARDS)
        ]
        for board in boards:
            ending.callback(board.close)
        with _load(boards):
            _wait_for_a_play(boards, time.monotonic(), "the first cue")
            for number in range(count):
                kind = kinds[number % len(kinds)]
                took_s = _fault(twins, boards, kind, draw(seed, f"standby {number}", 1500), outcome)
                outcome.expect(
                    took_s < TAKEOVER_S * slack, f"{kind}: taken over after {took_s:.1f} s"
                )
        _settle(cluster, boards)
        _read(twins, cluster, outcome)
        _judge(cluster, boards, outcome)
    return outcome


def _fault(
    twins: list[Twin], boards: list[Watched], kind: str, after_ms: int, outcome: Outcome
) -> float:
    """Return how many seconds it took until the other one's first cue played."""
    until(
        lambda: sorted(each.state for each in twins) == ["owner", "standby"], f"two: {_said(twins)}"
    )
    owner, other = sorted(twins, key=lambda each: each.state)
    time.sleep(1.2 + after_ms / 1000)  # it knows of its standby by then, and of nothing else
    began_s = time.monotonic()
    if kind == "killed":
        owner.kill()
    elif kind == "frozen":
        owner.signal(signal.SIGSTOP)
    else:
        owner.cut(SWALLOW, 2 if kind == "cut off" else 1)
    outcome.injected[f"the owner {kind}"] += 1
    epoch = max(each.epoch for each in boards)
    until(
        lambda: all(each.epoch > epoch for each in boards), f"a new epoch; {kind}, {_said(twins)}"
    )
    _wait_for_a_play(boards, time.monotonic(), f"a cue of the new owner; {kind}")
    took_s = time.monotonic() - began_s
    outcome.noted["longest takeover, ms"] = max(
        outcome.noted["longest takeover, ms"], round(took_s * 1000)
    )
    until(lambda: other.state == "owner", f"{other.name} to say that it runs the show; {kind}")
    if kind == "killed":
        owner.start()
    elif kind == "frozen":
        owner.signal(signal.SIGCONT)
    else:
        owner.cut(PASS)
    until(lambda: owner.state == "standby", f"who was {kind} to stand by; {_said(twins)}")
    until(lambda: str(other.port) in _faults(owner), f"{owner.name} to name it: {_faults(owner)}")
    return took_s


def _faults(twin: Twin) -> str:
    return str((twin.ask("/readyz")[1] or {}).get("faults"))


def _said(twins: list[Twin]) -> str:
    return "; ".join(f"{e.name} {e.state}: {e.log.read_text()[-300:]!r}" for e in twins)


def _wait_for_a_play(boards: list[Watched], since_s: float, why: str) -> None:
    until(lambda: max(each.last_play_s for each in boards) > since_s, why)


def _settle(cluster: Cluster, boards: list[Watched]) -> None:
    for each in boards:
        each.motion().wait_for_publish(30)
    sent = sum(each.seq for each in boards)

    decided = "SELECT count(*) FROM decisions WHERE source = 'motion'"

    def there() -> bool:
        return int(_rows(cluster, decided)[0][0]) >= sent

    until(there, "the last motions to be decided")


def _read(twins: list[Twin], cluster: Cluster, outcome: Outcome) -> None:
    """The one that stands by shows what was kept, and takes no order."""
    until(lambda: sorted(each.state for each in twins) == ["owner", "standby"], _said(twins))
    waiting = next(each for each in twins if each.state == "standby")
    data = ["--data", str(waiting.data), "--database", cluster.url(DATABASE), "--json"]
    made = typed("tokens", "add", "--role", "owner", *data)
    token = json.loads(made.stdout)["token"]
    status, told = until(lambda: _let_in(waiting, "/api/v1/decisions", token), "to be let in")
    outcome.expect(status == 200 and told["items"], f"its decisions: {status}, {told}")
    status, told = waiting.ask("/api/v1/stop", token, "POST")
    outcome.expect(status == 503 and told["standby"], f"a stop there: {status}, {told}")


def _let_in(twin: Twin, path: str, token: str) -> tuple[int, Any] | None:
    status, told = twin.ask(path, token)
    return None if status in {0, 401} else (status, told)


def _judge(cluster: Cluster, boards: list[Watched], outcome: Outcome) -> None:
    sent = _rows(cluster, "SELECT epoch FROM cues ORDER BY id")
    epochs = [row[0] for row in sent]
    outcome.expect(
        epochs == sorted(epochs), "the journal has cues of an earlier owner after a later"
    )
    numbers = [row[0] for row in _rows(cluster, "SELECT number FROM events ORDER BY number")]
    outcome.expect(len(numbers) == len(set(numbers)), "two wrote under one number")
    cues = [row[0] for row in _rows(cluster, "SELECT cue FROM cues")]
    outcome.noted["cues written twice"] += len(cues) - len(set(cues))
    for board in boards:
        decided = _rows(
            cluster, f"SELECT seq FROM decisions WHERE board = '{board.id}' AND source = 'motion'"
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


def _rows(cluster: Cluster, statement: str) -> list[tuple[Any, ...]]:
    with cluster.connect(DATABASE) as connection:
        return connection.execute(statement.encode()).fetchall()


@contextmanager
def _broker(folder: Path) -> Iterator[int]:
    """One for both, as somebody's own would be; it lets everybody in."""
    binary, port = mosquitto(), free_port()
    assert binary is not None, "Mosquitto is missing: apt-get install mosquitto"
    conf = folder / "mosquitto.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        "max_inflight_messages 0\nmax_queued_messages 20000\n"
    )
    with (folder / "mosquitto.log").open("wb") as log:
        process = subprocess.Popen([binary, "-c", conf], stdout=log, stderr=log)
    try:
        yield port
    finally:
        process.terminate()
        process.wait(10)


@contextmanager
def _load(boards: list[Watched]) -> Iterator[None]:
    ending = threading.Event()

    def go() -> None:
        at = 0
        while not ending.wait(PACE_S / len(boards)):
            boards[at % len(boards)].motion()
            at += 1

    thread = threading.Thread(target=go, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()
