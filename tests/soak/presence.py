"""Boards that come, leave, are cut off, swallowed, taken over: what the controller says is true.

A board that leaves or is cut off is gone at once by its will; one that is swallowed, within 20 s;
one that is back, within five. A will of an earlier connection never takes away who is here.
"""

import json
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple, Self

from haunt.core.dice import draw
from tests.mqtt.raw import RawClient, Will, connect, packet, publish
from tests.soak.garden import DEADLINE_S, Garden
from tests.soak.outcome import Outcome
from tests.soak.proxy import PASS, SWALLOW, Proxy

KINDS = ("leaves", "is cut off", "is taken over", "signs in twice in a row", "reboots", "flaps")
SWALLOWED_EVERY = 25  # it takes a fifth of a minute
GONE_S, SWALLOWED_S, BACK_S = 5.0, 22.0, 5.0
SETTLES_S = 0.3  # a view is made four times a second
BOARDS_MAX, FLAPS_EACH = 40, 25
LOOK_S = 0.03
STAYS_S = 0.6  # past the next view


class PlainBoard:
    """A board's connection through the proxy, packet by packet, with the will of the contract."""

    def __init__(self, account: dict[str, Any], port: int) -> None:
        self._account, self._port = account, port
        self.id: str = account["username"]
        self._boots = self.conn = 0
        self.client: RawClient | None = None
        self._clients: list[RawClient] = []
        self.reboot()

    def reboot(self) -> None:
        self._boots += 1
        self.boot, self.conn = f"{self._boots:012x}", 0

    def sign_in(self) -> RawClient:
        self.conn += 1
        words = {"boot": self.boot, "conn": self.conn}
        client = RawClient(self._port)
        self._clients.append(client)
        code = client.sign_in(
            connect(
                self.id.encode(),
                self._account["password"].encode(),
                will=Will(self._topic, json.dumps({"state": "gone", **words}).encode(), 1, True),
                keepalive_s=10,
            )
        )
        assert code == 0, code
        here = {"state": "here", **words, "up_ms": 1000, "reset": "soft"}
        client.send(publish(self._topic, json.dumps(here).encode(), retain=True))
        self.client = client
        return client

    def close_old(self) -> None:
        """Let go of what the broker has long let go of."""
        for each in self._clients[:-1]:
            each.close()
        del self._clients[:-1]

    def close(self) -> None:
        for each in self._clients:
            each.close()

    def leave(self) -> None:
        assert self.client is not None
        gone = {"state": "gone", "boot": self.boot, "conn": self.conn}
        self.client.send(publish(self._topic, json.dumps(gone).encode(), retain=True))
        self.client.send(packet(0xE0, b""))
        self.client.close()

    @property
    def _topic(self) -> bytes:
        return f"{self._account['root']}/{self.id}/presence".encode()


class Looker:
    """Asks the server for all props again and again: one looks, however many boards there are."""

    def __init__(self, garden: Garden) -> None:
        self._garden = garden
        self._looks, self._ending = 0, False
        self._props: dict[str, dict[str, Any]] = {}
        self._looked = threading.Condition()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending = True
        self._thread.join()

    def now(self, board: str) -> dict[str, Any]:
        """What was said of its prop to a question that was asked after this call."""
        with self._looked:
            wanted = self._looks + 2  # one may be under way
            assert self._looked.wait_for(lambda: self._looks >= wanted, DEADLINE_S)
            return self._props[board]

    def until(self, board: str, true: Callable[[dict[str, Any]], bool], within_s: float) -> bool:
        with self._looked:
            wanted = self._looks + 2
            return self._looked.wait_for(
                lambda: self._looks >= wanted and true(self._props[board]), within_s
            )

    def _run(self) -> None:
        while not self._ending:
            told = self._garden.ask("/api/v1/props?limit=1000")
            if told is not None:
                with self._looked:
                    self._props = {each["board"]: each for each in told["items"]}
                    self._looks += 1
                    self._looked.notify_all()
            time.sleep(LOOK_S)


class Scene(NamedTuple):
    """One board, its own way to the broker, and who looks at what is said of it."""

    board: PlainBoard
    proxy: Proxy
    looker: Looker
    outcome: Outcome
    limits: float


def run(count: int, seed: int, folder: Path, *, limits: float = 1.0) -> Outcome:
    """Let boards flap `count` times, many boards at once; `limits` stretches the deadlines."""
    boards = [f"b{at}" for at in range(1, 1 + max(1, min(BOARDS_MAX, count // FLAPS_EACH)))]
    parts = [Outcome() for _ in boards]
    outcome = Outcome()
    with Garden(folder, boards) as garden:
        garden.start()
        accounts = [garden.account(each) for each in boards]
        with Looker(garden) as looker:
            threads = [
                threading.Thread(
                    target=_live,
                    args=(garden, account, looker, part),
                    kwargs={
                        "numbers": range(at, count, len(boards)),
                        "seed": seed,
                        "limits": limits,
                    },
                )
                for at, (account, part) in enumerate(zip(accounts, parts, strict=True))
            ]
            for each in threads:
                each.start()
            for each in threads:
                each.join()
        garden.end()
    for board, part in zip(boards, parts, strict=True):
        outcome.take(part, board)
    outcome.noted["boards at once"] = len(boards)
    return outcome


def _live(
    garden: Garden,
    account: dict[str, Any],
    looker: Looker,
    outcome: Outcome,
    *,
    numbers: range,
    seed: int,
    limits: float,
) -> None:
    try:
        with Proxy(garden.mqtt_port) as proxy, closing(PlainBoard(account, proxy.port)) as board:
            scene = Scene(board, proxy, looker, outcome, limits)
            board.sign_in()
            _await(scene, "at first", here=True, within_s=DEADLINE_S)  # the server starts as well
            for number in numbers:
                if number % SWALLOWED_EVERY == SWALLOWED_EVERY - 1:
                    _swallow(scene)
                else:
                    _turn(scene, KINDS[number % len(KINDS)], draw(seed, f"flap {number}", 5))
    except Exception as fault:  # noqa: BLE001 - told by the run, which has other boards
        outcome.failures.append(f"broken off: {type(fault).__name__}: {fault}")


def _turn(scene: Scene, kind: str, drawn: int) -> None:
    board, proxy = scene.board, scene.proxy
    scene.outcome.injected[f"a board {kind}"] += 1
    if kind == "leaves":
        board.leave()
        _await(scene, kind, here=False, within_s=GONE_S)
    elif kind == "is cut off":
        proxy.cut()
        _await(scene, kind, here=False, within_s=GONE_S)
    elif kind == "reboots":
        board.reboot()
    elif kind == "flaps":
        for _ in range(2 + drawn):
            board.sign_in()
            if drawn % 2:
                proxy.cut()
    before = scene.looker.now(board.id)["last_heard"]
    board.sign_in()  # over the old connection, where there is one: its will comes now or never
    if kind == "signs in twice in a row":
        board.sign_in()
        time.sleep(SETTLES_S)
    # A will that the broker spoke before the hello is true for a moment; one after it never is.
    within_s = BACK_S * scene.limits
    heard = scene.looker.until(board.id, lambda prop: prop["last_heard"] != before, within_s)
    scene.outcome.expect(heard, f"{kind}: its hello was not heard within {BACK_S:.0f} s")
    _await(scene, kind, here=True, within_s=BACK_S)
    board.close_old()
    _stays(scene, kind)


def _swallow(scene: Scene) -> None:
    scene.outcome.injected["a board is swallowed"] += 1
    scene.proxy.mode = SWALLOW
    _await(scene, "swallowed", here=False, within_s=SWALLOWED_S)
    scene.proxy.mode = PASS
    scene.proxy.cut()
    scene.board.sign_in()
    _await(scene, "swallowed", here=True, within_s=BACK_S)
    _stays(scene, "swallowed")


def _stays(scene: Scene, kind: str) -> None:
    """No will that is still on its way takes it away again."""
    if scene.looker.until(scene.board.id, lambda prop: not prop["here"], STAYS_S):
        scene.outcome.failures.append(f"{kind}: a board that is here was said to be gone")


def _await(scene: Scene, kind: str, *, here: bool, within_s: float) -> None:
    began, outcome = time.monotonic(), scene.outcome
    word = "here" if here else "gone"
    within_s *= scene.limits
    if not scene.looker.until(scene.board.id, lambda prop: prop["here"] is here, within_s):
        outcome.failures.append(f"{kind}: not said to be {word} within {within_s:.0f} s")
    name = f"longest until {word} ({kind}), ms"
    outcome.noted[name] = max(outcome.noted[name], round(1000 * (time.monotonic() - began)))
