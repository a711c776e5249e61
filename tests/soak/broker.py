"""The broker killed or frozen under load: everybody is back soon, and what it lost is told exactly.

Mosquitto saves its sessions on changes, but not before it confirms a message: what it confirmed
in its last moments may be lost with it. Nothing that the journal has may go, and the difference
between the boards' counters and the journal must be just what is missing.
"""

import os
import signal
import time
from pathlib import Path

from haunt.core.dice import draw
from tests.soak import ledger
from tests.soak.crash import load
from tests.soak.garden import BOARDS, CountingBoard, Garden, until
from tests.soak.outcome import Outcome

BACK_S = 15.0
FREEZE_S = 8.0
KINDS = ("killed", "ended", "killed with the controller")


def run(count: int, seed: int, folder: Path, *, freeze_every: int = 10) -> Outcome:
    """Kill it `count` times; every tenth is a freeze instead, which takes longer to notice."""
    outcome = Outcome()
    with Garden(folder) as garden:
        garden.start()
        garden.admit(*BOARDS)
        with load(garden, 0.01):
            for number in range(count):
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
    before = {each.id: (each.conn, len(garden.journalled(each))) for each in _boards(garden)}
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
        for each in _boards(garden):
            _await_board(garden, each, *before[each.id], reconnects=kind != "frozen")
    except TimeoutError as late:
        outcome.failures.append(f"after {kind}: {late}")
    took_ms = round(1000 * (time.monotonic() - began))
    outcome.noted["longest until all were back, ms"] = max(
        took_ms, outcome.noted["longest until all were back, ms"]
    )


def _await_board(
    garden: Garden, board: CountingBoard, conn: int, count: int, *, reconnects: bool
) -> None:
    """Wait until it is signed in again and a motion of its came through since."""
    if reconnects:
        until(lambda: board.conn > conn, f"{board.id} to sign in again", BACK_S)
        count = len(garden.journalled(board))
    until(lambda: len(garden.journalled(board)) > count, f"a motion of {board.id} to come", BACK_S)


def _boards(garden: Garden) -> list[CountingBoard]:
    return list(garden.boards.values())


def _tell_counters(garden: Garden) -> None:
    for board in _boards(garden):
        board.motion().wait_for_publish(30)
    last = {each.id: each.seq for each in _boards(garden)}
    until(
        lambda: all(last[each.id] in garden.journalled(each) for each in _boards(garden)),
        "the last motions",
    )
    garden.tell_counters()


def _compare(garden: Garden, outcome: Outcome) -> None:
    from json import loads  # noqa: PLC0415

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
