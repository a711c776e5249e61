"""The order of the checks, from the first sign-in to the last count.

However it ends the board is left still: told the show's own last word, or stopped.
"""

from collections.abc import Callable, Sequence
from typing import Final

from haunt.study.conformance import counts, cues, lines, stops
from haunt.study.conformance.bench import Bench
from haunt.study.conformance.verdicts import Check, Finding, Verdict

LAST_HEALTH_MS: Final = counts.HEALTH_MS + counts.LATE_MS
STEPS: Final[tuple[Check, ...]] = (
    *cues.PLAYING,
    *cues.REFUSED,
    *stops.STOPS,
    *lines.CUT,
    stops.SILENCE,
)
LAST: Final = (*counts.LAST, lines.FLAGS)
CHECKS: Final = (*lines.FIRST, *STEPS, *LAST)
"""Every check there is, in its order."""

Say = Callable[[Finding], None]


def examine(bench: Bench, say: Say) -> list[Finding]:
    """Lead the board through all of it; each finding is said as soon as it is known."""
    found: list[Finding] = []

    def judge(checks: Sequence[Check]) -> None:
        for check in checks:
            found.append(_finding(check, bench))
            say(found[-1])

    is_done = False
    try:
        _meet(bench)
        judge((*lines.FIRST, *STEPS))
        _last_word(bench)
        judge(LAST)
        is_done = True
    finally:
        if not is_done:
            _break_off(bench)
    return found


def _break_off(bench: Bench) -> None:
    """Wait for its word that it is still: a line that closes at once may lose the order."""
    said_ms = bench.stop(stopped=True)
    bench.until(
        lambda: any(at_ms >= said_ms and said.stopped for at_ms, said in bench.health),
        stops.STOP_MS,
    )


def _meet(bench: Bench) -> None:
    """Wait for it, then rise above every epoch that it may know from before."""
    bench.settle()
    bench.beat()
    bench.until(lambda: bench.here and bench.health, lines.COMES_MS)
    bench.epoch = max([bench.epoch, *(health.epoch or 0 for _at, health in bench.health)])
    bench.stop(stopped=False)
    bench.beat()
    _await_health(bench, stops.STOP_MS)


def _last_word(bench: Bench) -> None:
    """Wait for somebody's walk where one was asked for, then for counts that are complete."""
    if bench.lost:
        return
    bench.until(lambda: bench.motions, bench.subject.motion_wait_ms)
    bench.stop(stopped=bench.subject.stopped)
    bench.beat()
    _await_health(bench, LAST_HEALTH_MS)


def _await_health(bench: Bench, within_ms: int) -> None:
    told = len(bench.health)
    bench.until(
        lambda: any(health.epoch == bench.epoch for _at, health in bench.health[told:]), within_ms
    )


def _finding(check: Check, bench: Bench) -> Finding:
    if bench.lost:
        return Finding(check.name, Verdict.UNTRIED, check.expected, "the board is not here")
    verdict, words = check.run(bench)
    return Finding(check.name, verdict, check.expected, words)
