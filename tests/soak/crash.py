"""The server killed at exact points under load, then the boards' counts held against the journal.

With Mosquitto alive nothing may be lost or doubled, at whatever point the controller died.
"""

import threading
import time
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from itertools import cycle
from pathlib import Path

from haunt.core.dice import draw
from tests.soak import ledger
from tests.soak.crashing import EARLY, POINTS
from tests.soak.garden import DEADLINE_S, CountingBoard, Garden, until
from tests.soak.nursery import Nursery
from tests.soak.outcome import PATIENCE, Outcome

UPTO = {"publish": 8}  # the words of a start; after them a beat comes every two seconds
UPTO_ELSE = 40
IN_FLIGHT_MS = 2000
"""How long before a kill a cue may have been on its way: what is in a dying socket may be lost,
and Mosquitto, which writes its whole queue to disk at every change, may be late in reading it."""
PACE_S = 0.1
"""Ten boards, so a hundred motions a second: thirty times a crowded garden."""
BOARDS = tuple(f"b{number}" for number in range(1, 11))

LOST_EARLY = "motions acknowledged after half a second, before they were kept, and lost"
ANY = "any moment"
ANY_MS = 2400
ALL = (*POINTS, *[ANY] * 50)
"""In 1,180 kills every point twenty times, and a thousand moments."""

SHORT = ("commit-before", "commit-after", "ack-before", "ack-after", "cue-after")


def run(count: int, seed: int, folder: Path, points: Sequence[str] = ALL) -> Outcome:
    """Kill it `count` times, the points in turn, each at a drawn number of passages."""
    outcome = Outcome()
    deaths: list[int] = []
    with Nursery() as nursery, Garden(folder, BOARDS, nursery) as garden:
        garden.start()
        garden.admit(*BOARDS)
        garden.end()
        for number in PATIENCE.numbers(count):
            point = points[number % len(points)]
            if point == ANY:
                _kill_at(garden, draw(seed, f"moment {number}", ANY_MS) / 1000, outcome)
                deaths.append(time.time_ns() // 1_000_000)
                continue
            upto = UPTO.get(point.partition("-")[0], UPTO_ELSE)
            _crash(garden, point, 1 + draw(seed, f"crash {number}", upto), outcome)
            deaths.append(time.time_ns() // 1_000_000)
        garden.start()
        settle(garden)
        compare(garden, outcome, deaths)
        garden.tell_counters()
        lost = outcome.noted[LOST_EARLY]
        ledger.compare(ledger.read(garden.data), outcome, may_miss=lost)
        garden.end()
    return outcome


def _kill_at(garden: Garden, after_s: float, outcome: Outcome) -> None:
    """From outside, wherever it happens to be, at its start too."""
    garden.start(wait=False)
    with load(garden):
        time.sleep(after_s)
        garden.kill()
    outcome.injected[f"killed at {ANY}"] += 1


def _crash(garden: Garden, point: str, passages: int, outcome: Outcome) -> None:
    garden.start(point, passages, wait=False)
    with load(garden):
        if garden.wait_for_death():
            outcome.injected[f"killed at {point}"] += 1
        else:
            outcome.failures.append(f"{point} was not passed {passages} times")
            garden.kill()


class load:  # noqa: N801 - reads as a verb where it is used
    """Motions of all boards in turn, each one every `pace_s`, until the end of the block."""

    def __init__(self, garden: Garden, pace_s: float = PACE_S) -> None:
        self._garden, self._pace_s = garden, pace_s
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()

    def _run(self) -> None:
        boards = tuple(self._garden.boards.values())
        for board in cycle(boards):
            if self._ending.wait(self._pace_s / len(boards)):
                return
            board.motion()


def settle(garden: Garden) -> None:
    """Wait until the last motion of every board is in the journal."""
    for board in garden.boards.values():
        board.motion().wait_for_publish(DEADLINE_S)

    def all_there() -> bool:
        return all(
            (garden.journalled(each) or [0])[-1] == each.seq for each in garden.boards.values()
        )

    until(all_there, "the last motions to be journalled")
    sent = sum(each.seq for each in garden.boards.values())
    decided = "SELECT count(*) FROM decisions WHERE source = 'motion'"
    with suppress(TimeoutError):  # what is never decided is told below, by board
        until(lambda: garden.rows(decided)[0][0] >= sent, "the last to wait to be decided", 30)


def compare(garden: Garden, outcome: Outcome, deaths: Sequence[int] = ()) -> None:
    """Every motion once, one decision for each, every cue sent and played once.

    What was acknowledged to the broker after half a second, before it was kept, may be lost.
    """
    early = early_of(garden)
    outcome.noted[LOST_EARLY] = 0
    for board in garden.boards.values():
        there = garden.journalled(board)
        outcome.noted["motions counted by boards"] += board.seq
        missing = sorted(set(range(1, board.seq + 1)) - set(there))
        excused = [seq for seq in missing if (board.id, seq) in early]
        outcome.noted[LOST_EARLY] += len(excused)
        lost = [seq for seq in missing if seq not in excused]
        outcome.expect(not lost, f"{board.id}: motions {lost[:9]} of {board.seq} are lost")
        outcome.expect(len(there) == len(set(there)), f"{board.id}: motions are there twice")
        _compare_decisions(garden, board, outcome, deaths)


def early_of(garden: Garden) -> set[tuple[str, int]]:
    found = set()
    for line in garden.log().splitlines():
        if line.startswith(EARLY):
            board, seq = line.removeprefix(EARLY).split()
            found.add((board, int(seq)))
    return found


def _compare_decisions(
    garden: Garden, board: CountingBoard, outcome: Outcome, deaths: Sequence[int]
) -> None:
    decided = garden.rows(
        "SELECT seq, outcome, cue, at_ms FROM decisions WHERE source = 'motion' "
        f"AND board = '{board.id}' AND boot = '{board.boot}'"
    )
    times = Counter(row[0] for row in decided)
    several = [seq for seq, count in times.items() if count > 1]
    outcome.expect(not several, f"{board.id}: motions {several[:9]} were decided more than once")
    undecided = sorted(set(garden.journalled(board)) - set(times))
    outcome.expect(not undecided, f"{board.id}: motions {undecided[:9]} were never decided")
    fired = {row[2] for row in decided if row[1] == "fired"}
    outcome.noted["decisions to fire"] += len(fired)
    outcome.noted["cues heard"] += len(board.heard)
    for why, times_refused in board.bad.items():
        outcome.noted[f"cues refused: {why}"] += times_refused
    at_ms = {row[2]: row[3] for row in decided}
    lost, never = _unheard({cue: at_ms[cue] for cue in fired}, board, deaths)
    outcome.noted["cues on their way as the process died, never sent again"] += len(lost)
    outcome.expect(not never, f"{board.id}: cues {sorted(never)[:3]} never came")
    twice = [cue for cue, count in board.plays.items() if count > 1]
    outcome.expect(not twice, f"{board.id}: cues {twice[:3]} played twice")
    outcome.noted["cues sent again after a crash, and refused as repeats"] += board.bad["repeat"]
    outcome.noted["cues played whose motion, judged anew, was refused"] += len(
        set(board.plays) - fired
    )


def _unheard(
    fired: dict[str, int], board: CountingBoard, deaths: Sequence[int]
) -> tuple[set[str], set[str]]:
    """Return the cues that died with a process, and those that had no reason not to come."""
    lost = {
        cue
        for cue, at_ms in fired.items()
        if any(0 <= death - at_ms <= IN_FLIGHT_MS for death in deaths)
    }
    with suppress(TimeoutError):  # the newest may still be on their way
        until(lambda: set(fired) - lost <= set(board.heard), "the last cues", 30)
    unheard = set(fired) - set(board.heard)
    return unheard & lost, unheard - lost
