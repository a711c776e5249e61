"""The broker killed or frozen under load: everybody is back soon, and what it lost is told exactly.

Mosquitto saves its sessions on changes, but not before it confirms a message: what it confirmed
in its last moments may be lost with it. Nothing that the journal has may go, and the difference
between the boards' counters and the journal must be just what is missing.
"""

import os
import signal
import time
from json import loads
from pathlib import Path

from haunt.core.dice import draw
from tests.soak import ledger
from tests.soak.crash import load
from tests.soak.garden import CountingBoard, Garden, until
from tests.soak.nursery import Nursery
from tests.soak.outcome import PATIENCE, Outcome

BACK_S = 15.0
FREEZE_S = 8.0
KINDS = ("killed", "ended", "killed with the controller")
BOARDS_MAX = 200
RATE_S = 0.015
LOOK_S = 0.05
ALL_MS = "longest until all were back, ms"


def run(count: int, seed: int, folder: Path, *, freeze_every: int = 10) -> Outcome:
    """Kill it `count` times under as many boards, 200 at most.

    Every tenth is a freeze instead, which takes longer to notice.
    """
    outcome = Outcome()
    boards = [f"b{at}" for at in range(1, 1 + min(BOARDS_MAX, max(3, count)))]
    outcome.noted["boards"] = len(boards)
    with Nursery() as nursery, Garden(folder, boards, nursery) as garden:
        garden.start()
        garden.admit(*boards)
        with load(garden, RATE_S * len(boards)):
            for number in PATIENCE.numbers(count):
                is_freeze = number % freeze_every == freeze_every - 1
                kind = "frozen" if is_freeze else KINDS[number % len(KINDS)]
                _strike(garden, kind, draw(seed, f"broker {number}", 400) / 1000, outcome)
        _tell_counters(garden)
        _compare(garden, outcome)
        lost = outcome.noted["motions lost with the broker, and told so"]
        ledger.compare(ledger.read(garden.data), outcome, may_miss=lost)
        outcome.expect(not garden.is_dead(), "the server died")
        garden.end()
    return outcome


def _strike(garden: Garden, kind: str, after_s: float, outcome: Outcome) -> None:
    time.sleep(after_s)
    pid = garden.broker_pid()
    if pid is None:
        outcome.failures.append("there is no broker to strike")
        return
    if kind == "killed with the controller":
        garden.kill()
    conns = {each.id: each.conn for each in _boards(garden)}
    if kind == "frozen":
        os.kill(pid, signal.SIGSTOP)
        time.sleep(FREEZE_S)
        os.kill(pid, signal.SIGCONT)
    else:
        os.kill(pid, signal.SIGTERM if kind == "ended" else signal.SIGKILL)
    if kind == "killed with the controller":
        garden.start(wait=False)
    outcome.injected[f"broker {kind}"] += 1
    began = time.monotonic()
    try:
        if kind != "frozen":
            until(lambda: garden.broker_pid() not in (None, pid), "another broker", BACK_S)
            _await_boards(garden, conns)
        _await_motions(garden)
    except TimeoutError as late:
        outcome.failures.append(f"after {kind}: {late}")
    took_ms = round(1000 * (time.monotonic() - began))
    outcome.noted[ALL_MS] = max(took_ms, outcome.noted[ALL_MS])


def _await_boards(garden: Garden, conns: dict[str, int]) -> None:
    def all_back() -> bool:
        return all(each.conn > conns[each.id] for each in _boards(garden))

    until(all_back, "every board to sign in again", BACK_S)


def _await_motions(garden: Garden) -> None:
    """A motion of every board, made now, comes through."""
    wanted = {each.id: each.seq + 1 for each in _boards(garden)}
    for each in _boards(garden):
        each.motion()

    def all_there() -> bool:
        time.sleep(LOOK_S)
        newest = garden.newest()
        return all(newest.get(board, 0) >= seq for board, seq in wanted.items())

    until(all_there, "a motion of every board to come", BACK_S)


def _boards(garden: Garden) -> list[CountingBoard]:
    return list(garden.boards.values())


def _tell_counters(garden: Garden) -> None:
    _await_motions(garden)
    garden.tell_counters()


def _compare(garden: Garden, outcome: Outcome) -> None:
    for board in _boards(garden):
        there = garden.journalled(board)
        outcome.expect(len(there) == len(set(there)), f"{board.id}: motions are there twice")
        outcome.expect(set(there) <= set(range(1, board.seq + 1)), f"{board.id}: made-up motions")
        [(raw,)] = garden.rows(
            f"SELECT motions FROM health WHERE board = '{board.id}' ORDER BY id DESC LIMIT 1"
        )
        counted = sum(loads(raw).values())
        missing = set(range(1, board.seq + 1)) - set(there)
        outcome.expect(
            counted - len(there) == len(missing),
            f"{board.id}: it counted {counted}, the journal has {len(there)}, {len(missing)} miss",
        )
        outcome.noted["motions counted by boards"] += counted
        outcome.noted["motions lost with the broker, and told so"] += len(missing)
        outcome.noted["cues played"] += len(board.plays)
        for why in ("retained", "late", "old-epoch"):
            outcome.noted[f"cues refused: {why}"] += board.bad[why]
        twice = [cue for cue, times in board.plays.items() if times > 1]
        outcome.expect(not twice, f"{board.id}: cues {twice[:3]} played twice")
        outcome.expect(board.bad["retained"] == 0, f"{board.id}: a cue came retained")
