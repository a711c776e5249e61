"""An upgrade of two servers, in turns, while people walk: nothing is lost, nothing comes twice.

The one that stands by is ended in order and started again, then the one that runs the show, which
the other takes over; then the other way round, with a stop that must hold.
"""

import time
from bisect import bisect_left
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

from tests.soak.garden import until
from tests.soak.outcome import PATIENCE, Outcome
from tests.soak.spaces import why_not
from tests.soak.twins import Pair, Twin, judge, pair

OK: Final = 200
GAP_S: Final = 3.0
"""Without a cue while people walk: less than a third of what a takeover after a kill may take."""
STOPPED_S: Final = GAP_S + 2.0
"""Where nothing may play, the new owner is known by its beat, which comes every two seconds."""
HELD: Final = "b3"
SETTLES_S, STILL_S = 0.3, 0.7


def run(count: int, seed: int, folder: Path) -> Outcome:
    del seed  # nothing is drawn
    outcome, refused = Outcome(), why_not()
    if refused:
        print(f"no server has a network namespace here: {refused}")
    with pair(folder, in_spaces=not refused) as two:
        token = two.token()
        for _ in PATIENCE.numbers(count):
            roll(two, token, outcome)
        judge(two, outcome)
    return outcome


def roll(two: Pair, token: str, outcome: Outcome, slack: int = 1) -> None:
    """One round: the show goes over with a prop held, and back with everything stopped."""
    _go_over(two, token, outcome, slack)
    _go_back(two, token, outcome, slack)


def _go_over(two: Pair, token: str, outcome: Outcome, slack: int) -> None:
    owner, standby = two.roles()
    _start_again(two, standby, outcome)
    began_s = time.monotonic()
    if _prop(owner, token)["stopped"]:  # by the round before; the show goes on five seconds later
        _order(owner, token, "stop/release")
    two.await_play_after(began_s, "before the hold")
    _order(owner, token, f"props/{HELD}-prop/hold")
    two.roles()
    epoch, began_s = two.epoch(), time.monotonic()
    _end(owner, outcome, "the owner ended, a prop held")
    until(lambda: standby.state == "owner", f"{standby.name} to take over; {two.said()}")
    two.await_epoch_after(epoch, "after an orderly end")
    two.await_play_after(time.monotonic(), "of the new owner")
    gap_s = _longest_gap_s(two, began_s)
    _most(outcome, "longest without a cue, ms", gap_s)
    outcome.expect(gap_s < GAP_S * slack, f"no cue played for {gap_s:.2f} s")
    outcome.expect(_prop(standby, token)["held_by"], "the hold is forgotten")
    held = [at_s for at_s, under in two.board(HELD).played if under > epoch]
    outcome.expect(not held, f"{len(held)} cues played at a held prop")
    _order(standby, token, f"props/{HELD}-prop/release")
    _stand_by(two, owner)


def _go_back(two: Pair, token: str, outcome: Outcome, slack: int) -> None:
    owner, standby = two.roles()
    _start_again(two, standby, outcome)
    _order(owner, token, "stop")
    time.sleep(SETTLES_S)  # what was on its way
    two.roles()
    epoch, began_s = two.epoch(), time.monotonic()
    _end(owner, outcome, "the owner ended, stopped")
    two.await_epoch_after(epoch, "after an orderly end")
    _most(outcome, "longest from the order to the other's beat, ms", time.monotonic() - began_s)
    took_s = time.monotonic() - began_s
    outcome.expect(took_s < STOPPED_S * slack, f"no beat of a new owner for {took_s:.2f} s")
    until(lambda: standby.state == "owner", f"{standby.name} to take over; {two.said()}")
    outcome.expect(_prop(standby, token)["stopped"], "the stop is forgotten")
    time.sleep(STILL_S)
    plays = two.plays(began_s)
    outcome.expect(not plays, f"{len(plays)} cues played though the show is stopped")
    _stand_by(two, owner)


def _longest_gap_s(two: Pair, since_s: float) -> float:
    """Between two cues, wherever they played; the last before counts."""
    at_s = [each for each, _under in two.plays(0.0)]
    before = bisect_left(at_s, since_s) - 1
    return max(later - earlier for earlier, later in pairwise(at_s[max(before, 0) :]))


def _start_again(two: Pair, standby: Twin, outcome: Outcome) -> None:
    """Nobody hears of it."""
    epoch = two.epoch()
    _end(standby, outcome, "the standby ended")
    _stand_by(two, standby)
    outcome.expect(two.epoch() == epoch, "a standby that was started again made a new epoch")


def _end(twin: Twin, outcome: Outcome, what: str) -> None:
    outcome.injected[what] += 1
    took_s, code = twin.end()
    _most(outcome, "longest end, ms", took_s)
    outcome.expect(code == 0, f"{what}: with {code}")
    outcome.expect("Traceback" not in twin.log.read_text(), f"{what}: {twin.log.read_text()}")


def _stand_by(two: Pair, twin: Twin) -> None:
    twin.start()
    until(lambda: twin.state == "standby", f"{twin.name} to stand by; {two.said()}")


def _order(twin: Twin, token: str, what: str) -> None:
    until(lambda: twin.ask(f"/api/v1/{what}", token, "POST")[0] == OK, f"{what} at {twin.name}")


def _prop(twin: Twin, token: str) -> dict[str, Any]:
    found: dict[str, Any] = until(
        lambda: _told(twin.ask(f"/api/v1/props/{HELD}-prop", token)), f"{twin.name} to tell a prop"
    )
    return found


def _told(answer: tuple[int, Any]) -> Any:
    status, told = answer
    return told if status == OK else None


def _most(outcome: Outcome, name: str, value_s: float) -> None:
    outcome.noted[name] = max(outcome.noted[name], round(1000 * value_s))
