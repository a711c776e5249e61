"""A stop and its release, thousands of times at drawn moments, under one fault after another.

Server and boards stay; each stop must still every board that is online within a second, and until
the release nothing may start. Every fifth is pressed while a release is counted, and takes it back.
Restarts between them are the run `stop`.
"""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Any, Final, NamedTuple

from haunt.core.dice import draw
from tests.soak import hasty, siege
from tests.soak.garden import until
from tests.soak.outcome import PATIENCE, Outcome
from tests.soak.stop import BACK_S, BOARDS, STOP_S, WAYS, Yard

VISITS_A_SECOND = 8
A_PHASE = 100
MOMENT_MS = 80
WATCHED_S = 0.03
COUNTED_EVERY = 5
PROGRAM = (sys.executable, "-m", "tests.soak.hasty")
STILL_S = 120.0  # of a server that works off a storm first
SLOW_EVERY = 50
"""Of the phases that cost seconds a stop: a storm has to gather and to end, boards to come back."""


def _locked(yard: Yard) -> AbstractContextManager[None]:
    return siege.locked(yard.server.data / "haunt.db")


def _full(yard: Yard) -> AbstractContextManager[None]:
    assert yard.server.process is not None
    return yard.disk.full(yard.server.process.pid)


@contextmanager
def _mad(yard: Yard) -> Iterator[None]:
    with ExitStack() as ending:
        for each in yard.mad:
            ending.enter_context(siege.Storm(each))
        yield


def _all(yard: Yard) -> AbstractContextManager[object]:
    return siege.all_at_once(yard.server, yard.disk, yard.mad)


class Phase(NamedTuple):
    """One fault; `each_s` is how long it is let gather before each single stop, 0 for all stops."""

    fault: Callable[[Yard], AbstractContextManager[object]]
    each_s: float = 0.0


BROKER: Final = "the broker killed"
PHASES: Final[dict[str, Phase]] = {
    "nothing else": Phase(lambda _yard: nullcontext()),
    "the database locked": Phase(_locked),
    "no room on the disk": Phase(_full),
    "twenty frozen phones": Phase(lambda yard: siege.frozen_phones(yard.server)),
    "two boards gone mad": Phase(_mad, 0.3),
    "all of it at once": Phase(_all, 0.3),
    BROKER: Phase(lambda _yard: nullcontext()),
}


class Judge:
    """Reads the boards' log as it grows: who is still, and whether anything starts meanwhile."""

    def __init__(self, yard: Yard, outcome: Outcome) -> None:
        self._yard, self._outcome = yard, outcome
        self.still: dict[str, int] = {}
        self.starts = 0

    def read(self) -> None:
        for each in self._yard.crowd.news():
            self._note(each)

    def _note(self, entry: dict[str, Any]) -> None:
        board = entry["board"]
        if entry["what"] == "stopped":
            self.still[board] = entry["at"]
        elif entry["what"] == "released":
            self.still.pop(board, None)
        elif entry["what"] == "on":
            self.starts += 1
            self._outcome.expect(board not in self.still, f"{board} started while it was stopped")
            is_old = entry["cue"]["epoch"] < entry["epoch"]
            self._outcome.expect(not is_old, f"{board} played a cue of an older epoch")

    def is_still(self) -> bool:
        self.read()
        return len(self.still) == len(BOARDS)

    def is_free(self) -> bool:
        self.read()
        return not self.still

    def has_started(self, before: int) -> bool:
        self.read()
        return self.starts > before


def run(count: int, seed: int, folder: Path, *, within_s: float = STOP_S) -> Outcome:
    outcome, took_ms = Outcome(), list[float]()
    a_phase = min(A_PHASE, max(1, count // len(PHASES)))
    with Yard(folder, PROGRAM) as yard:
        yard.crowd.tell(f"storm {VISITS_A_SECOND}")
        judge, done, at = Judge(yard, outcome), 0, 0
        while done < count and not PATIENCE.is_over:
            name = tuple(PHASES)[at % len(PHASES)]
            phase, often = PHASES[name], min(count - done, a_phase)
            if phase.each_s or name == BROKER:
                often = min(often, max(1, a_phase // SLOW_EVERY))
            with nullcontext() if phase.each_s else phase.fault(yard):
                for number in range(done, done + often):
                    drawn = draw(seed, f"stop {number}", 1 << 20)
                    took_ms += _tried(yard, judge, name, drawn, outcome)
            outcome.injected[f"stops with {name}"] += often
            done, at = done + often, at + 1
        outcome.noted["stops in all"] = done
        outcome.noted["starts between stops"] = judge.starts
    _judge_times(took_ms, within_s, outcome)
    return outcome


def _tried(yard: Yard, judge: Judge, name: str, drawn: int, outcome: Outcome) -> list[float]:
    """One that breaks off is told, and must not hide the rest."""
    try:
        return _stop(yard, judge, name, drawn, outcome)
    except (AssertionError, OSError) as late:  # a timeout among them
        outcome.failures.append(f"{name}: {late}")
        with suppress(AssertionError, OSError):
            yard.release()
        return []


def _stop(yard: Yard, judge: Judge, name: str, drawn: int, outcome: Outcome) -> list[float]:
    """Return how long each board took to be still, in ms; none where the broker was down."""
    before, phase = judge.starts, PHASES[name]
    until(lambda: judge.has_started(before), f"a start before {name}", STILL_S)
    with phase.fault(yard) if phase.each_s else nullcontext():
        time.sleep(phase.each_s + drawn % MOMENT_MS / 1000)
        took = _press(yard, judge, name, drawn, outcome)
        time.sleep(WATCHED_S)
        outcome.expect(judge.is_still(), f"a board was released by itself with {name}")
    yard.release()
    if drawn % COUNTED_EVERY == 0 and not phase.each_s:
        _take_back(yard, judge, name, outcome)
    until(judge.is_free, f"the release after {name}", STILL_S)
    return took


def _press(yard: Yard, judge: Judge, name: str, drawn: int, outcome: Outcome) -> list[float]:
    since_ns = time.monotonic_ns()
    if name == BROKER:
        yard.end("broker")
        time.sleep(drawn % MOMENT_MS / 1000)
    way = tuple(WAYS)[drawn % 2]
    pressed_ns, status = yard.stop(way)
    _most(outcome, f"longest answer to the {way}, ms", time.monotonic_ns() - pressed_ns)
    outcome.expect(status == WAYS[way], f"the {way} answered {status} with {name}")
    if name == BROKER:
        yard.begin("broker")
        yard.await_all(since_ns)
    until(judge.is_still, f"all to be still with {name}", BACK_S)
    took = [(max(pressed_ns, at) - pressed_ns) / 1e6 for at in judge.still.values()]
    return [] if name == BROKER else took


def _take_back(yard: Yard, judge: Judge, name: str, outcome: Outcome) -> None:
    """Stop while the release is counted: no board may have heard of it when all is quiet."""
    yard.stop("api")
    outcome.injected[f"stops in a release's count with {name}"] += 1
    time.sleep(2 * hasty.COUNT_MS / 1000)
    until(judge.is_still, f"all to be still again with {name}", BACK_S)
    yard.release()


def _judge_times(took_ms: list[float], within_s: float, outcome: Outcome) -> None:
    took_ms.sort()
    outcome.noted["boards made still and timed"] = len(took_ms)
    for name, share in (("p50", 0.5), ("p99.9", 0.999), ("longest", 1.0)):
        at_ms = took_ms[min(len(took_ms) - 1, int(len(took_ms) * share))]
        outcome.noted[f"{name} until a board was still, ms"] = round(at_ms)
    late = sum(each > within_s * 1000 for each in took_ms)
    outcome.noted["boards later than that"] = late
    outcome.expect(late * 1000 <= len(took_ms), f"{late} boards were still after {within_s} s")


def _most(outcome: Outcome, name: str, ns: int) -> None:
    outcome.noted[name] = max(outcome.noted[name], ns // 1_000_000)
