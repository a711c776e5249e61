"""Two servers on one PostgreSQL and one Mosquitto; who has the show is killed, frozen, cut off.

The other takes over within ten seconds; the history afterwards shows never two deciders: at every
board and in the journal epochs only rise, every motion is decided once, no cue plays twice.
"""

import signal
import time
from pathlib import Path
from typing import Any, Final

from haunt.core.dice import draw
from haunt.store.ownership import LEASE_S
from tests.soak.garden import until
from tests.soak.outcome import PATIENCE, Outcome
from tests.soak.spaces import NO_BROKER, NO_DATABASE, SILENCE, SPACE_CUTS, why_not
from tests.soak.twins import ROLES, Pair, Twin, judge, pair
from tests.soak.ways import PROXY_CUTS

KILLED, FROZEN = "killed", "frozen"
BY_PROXY: Final = (KILLED, FROZEN, *PROXY_CUTS)
IN_SPACES: Final = (*SPACE_CUTS, KILLED, FROZEN)
SHORT: Final = (KILLED, FROZEN, SILENCE, NO_DATABASE, NO_BROKER)
TAKEOVER_S: Final = 10.0
SPREAD_MS: Final = 1500
TURNS: Final = 3
"""So often comes each kind before the next pair."""


def run(count: int, seed: int, folder: Path) -> Outcome:
    """In turns with every server on a machine of its own and through proxies, each a fresh pair."""
    outcome, refused = Outcome(), why_not()
    if refused:
        print(f"no server has a network namespace here: {refused}")
    turns = (BY_PROXY,) if refused else (IN_SPACES, BY_PROXY)
    done = turn = 0
    while done < count and not PATIENCE.is_over:
        kinds = turns[turn % len(turns)]
        part = _turn(min(count - done, TURNS * len(kinds)), seed + turn, folder / str(turn), kinds)
        outcome.take(part, f"turn {turn}")
        done, turn = done + sum(part.injected.values()), turn + 1
    return outcome


def _turn(count: int, seed: int, folder: Path, kinds: tuple[str, ...]) -> Outcome:
    outcome = Outcome()
    folder.mkdir()
    with pair(folder, in_spaces=kinds is IN_SPACES) as two:
        faults(two, count, seed, kinds, outcome)
        read(two, outcome)
        judge(two, outcome)
    return outcome


def faults(two: Pair, count: int, seed: int, kinds: tuple[str, ...], outcome: Outcome) -> None:
    for number in PATIENCE.numbers(count):
        after_s = draw(seed, f"standby {number}", SPREAD_MS) / 1000
        befall(two, kinds[number % len(kinds)], outcome, after_s)


def befall(two: Pair, kind: str, outcome: Outcome, after_s: float = 0.0, slack: int = 1) -> None:
    """`slack` times as long a takeover is borne: a busy machine in the tests."""
    took_s = _fault(two, kind, after_s, outcome)
    outcome.expect(took_s > LEASE_S, f"{kind}: taken over after {took_s:.1f} s, within its lease")
    outcome.expect(took_s < TAKEOVER_S * slack, f"{kind}: taken over after {took_s:.1f} s")


def _fault(two: Pair, kind: str, after_s: float, outcome: Outcome) -> float:
    """Return how many seconds it took until the other one's first cue played."""
    owner, other = two.roles()
    time.sleep(after_s)  # the harm may come at any time between two renewals
    began_s, epoch = time.monotonic(), two.epoch()
    _do(owner, kind)
    outcome.injected[f"the owner {kind}"] += 1
    two.await_epoch_after(epoch, kind)
    two.await_play_after(time.monotonic(), f"of the new owner; {kind}")
    took_s = time.monotonic() - began_s
    for name in ("longest takeover, ms", f"longest takeover ({kind}), ms"):
        outcome.noted[name] = max(outcome.noted[name], round(took_s * 1000))
    until(lambda: other.state == "owner", f"{other.name} to say that it runs the show; {kind}")
    _undo(owner, kind)
    until(lambda: owner.state == "standby", f"who was {kind} to stand by; {two.said()}")
    until(lambda: other.address in owner.names(), f"{owner.name} to name it: {owner.names()}")
    return took_s


def _do(owner: Twin, kind: str) -> None:
    if kind == KILLED:
        owner.kill()
    elif kind == FROZEN:
        owner.signal(signal.SIGSTOP)
    else:
        owner.way.cut(kind)


def _undo(owner: Twin, kind: str) -> None:
    if kind == KILLED:
        owner.start()
    elif kind == FROZEN:
        owner.signal(signal.SIGCONT)
    else:
        owner.way.mend()


def read(two: Pair, outcome: Outcome) -> None:
    """The one that stands by shows what was kept, and takes no order."""
    until(lambda: sorted(each.state for each in two.twins) == ROLES, two.said())
    waiting = next(each for each in two.twins if each.state == "standby")
    token = two.token()
    status, told = until(lambda: _let_in(waiting, "/api/v1/decisions", token), "to be let in")
    outcome.expect(status == 200 and told["items"], f"its decisions: {status}, {told}")
    status, told = waiting.ask("/api/v1/stop", token, "POST")
    outcome.expect(status == 503 and told["standby"], f"a stop there: {status}, {told}")


def _let_in(twin: Twin, path: str, token: str) -> tuple[int, Any] | None:
    status, told = twin.ask(path, token)
    return None if status in {0, 401} else (status, told)
