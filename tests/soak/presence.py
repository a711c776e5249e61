"""Boards that come, leave, are cut off, swallowed, taken over: what the controller says is true.

A board that leaves or is cut off is gone at once by its will; one that is swallowed, within 20 s;
one that is back, within five. A will of an earlier connection never takes away who is here.
"""

import json
import time
from pathlib import Path
from typing import Any

from haunt.core.dice import draw
from tests.mqtt.raw import RawClient, Will, connect, packet, publish
from tests.soak.garden import Garden, until
from tests.soak.outcome import Outcome
from tests.soak.proxy import PASS, SWALLOW, Proxy

KINDS = ("leaves", "is cut off", "is taken over", "signs in twice in a row", "reboots", "flaps")
SWALLOWED_EVERY = 25  # it takes a fifth of a minute
GONE_S, SWALLOWED_S, BACK_S = 5.0, 22.0, 5.0
SETTLES_S = 0.3  # a view is made four times a second
BOARD = "b1"


class PlainBoard:
    """A board's connection through the proxy, packet by packet, with the will of the contract."""

    def __init__(self, account: dict[str, Any], port: int) -> None:
        self._account, self._port = account, port
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
                BOARD.encode(),
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
        return f"{self._account['root']}/{BOARD}/presence".encode()


def run(count: int, seed: int, folder: Path) -> Outcome:
    outcome = Outcome()
    with Garden(folder, [BOARD]) as garden:
        garden.start()
        account = garden.account(BOARD)
        with Proxy(garden.mqtt_port) as proxy:
            board = PlainBoard(account, proxy.port)
            board.sign_in()
            _await(garden, "at first", outcome, here=True, within_s=BACK_S)
            for number in range(count):
                if number % SWALLOWED_EVERY == SWALLOWED_EVERY - 1:
                    _swallow(garden, proxy, board, outcome)
                else:
                    kind = KINDS[number % len(KINDS)]
                    _turn(kind, garden, proxy, board, outcome, draw(seed, f"flap {number}", 5))
            board.close()
        garden.end()
    return outcome


def _turn(
    kind: str, garden: Garden, proxy: Proxy, board: PlainBoard, outcome: Outcome, drawn: int
) -> None:
    outcome.injected[f"a board {kind}"] += 1
    if kind == "leaves":
        board.leave()
        _await(garden, kind, outcome, here=False, within_s=GONE_S)
    elif kind == "is cut off":
        proxy.cut()
        _await(garden, kind, outcome, here=False, within_s=GONE_S)
    elif kind == "reboots":
        board.reboot()
    elif kind == "flaps":
        for _ in range(2 + drawn):
            board.sign_in()
            if drawn % 2:
                proxy.cut()
    before = last_heard(garden)
    board.sign_in()  # over the old connection, where there is one: its will comes now or never
    if kind == "signs in twice in a row":
        board.sign_in()
        time.sleep(SETTLES_S)
    # A will that the broker spoke before the hello is true for a moment; one after it never is.
    until(lambda: last_heard(garden) != before, "the hello", BACK_S)
    _await(garden, kind, outcome, here=True, within_s=BACK_S)
    board.close_old()
    _stays(garden, kind, outcome)


def _swallow(garden: Garden, proxy: Proxy, board: PlainBoard, outcome: Outcome) -> None:
    outcome.injected["a board is swallowed"] += 1
    proxy.mode = SWALLOW
    _await(garden, "swallowed", outcome, here=False, within_s=SWALLOWED_S)
    proxy.mode = PASS
    proxy.cut()
    board.sign_in()
    _await(garden, "swallowed", outcome, here=True, within_s=BACK_S)
    _stays(garden, "swallowed", outcome)


def _stays(garden: Garden, kind: str, outcome: Outcome) -> None:
    """No will that is still on its way takes it away again."""
    end = time.monotonic() + 0.4
    while time.monotonic() < end:
        if not is_here(garden):
            outcome.failures.append(f"{kind}: a board that is here was said to be gone")
            return
        time.sleep(0.05)


def _await(garden: Garden, kind: str, outcome: Outcome, *, here: bool, within_s: float) -> None:
    began = time.monotonic()
    try:
        until(lambda: is_here(garden) is here, "presence", within_s)
    except TimeoutError:
        word = "here" if here else "gone"
        outcome.failures.append(f"{kind}: not said to be {word} within {within_s:.0f} s")
    name = f"longest until {'here' if here else 'gone'} ({kind}), ms"
    outcome.noted[name] = max(outcome.noted[name], round(1000 * (time.monotonic() - began)))


def is_here(garden: Garden) -> bool:
    return bool(_prop(garden)["here"])


def last_heard(garden: Garden) -> str:
    return str(_prop(garden)["last_heard"])


def _prop(garden: Garden) -> dict[str, Any]:
    told = until(lambda: garden.ask("/api/v1/props"), "an answer")
    [prop] = told["items"]
    found: dict[str, Any] = prop
    return found
