"""How long a wrong sign-in takes tells nobody which names there are.

Half the tries are at names that somebody has, half at names that nobody has, in drawn order, at
the real hash's cost; a day of a virtual clock passes between rounds, so that nobody has to wait.
Taken in processor time as well, which other work on the machine does not blur.
"""

import asyncio
import time
from pathlib import Path
from statistics import median
from typing import Final

from haunt.site.entrance import Device, Entrance, WrongPassword
from haunt.site.passwords import FORGOTTEN_MS, HASHER
from haunt.study.chance import Chance
from tests.site.stage import StandInClock, a_store
from tests.soak.outcome import PATIENCE, Outcome

PEOPLE: Final = 10
DEVICE: Final = Device("192.0.2.7", "a test")
APART_MAX: Final = 0.03
"""How far from one half the chance may be that a try at a known name takes longer than the other;
of 5,000 against 5,000 even ones it strays by 0.006 (one standard deviation, Mann and Whitney)."""
MEDIANS_MAX: Final = 0.02
PERMILLE: Final = 1000


def run(count: int, seed: int, _folder: Path) -> Outcome:
    """Try `count` wrong passwords."""
    outcome, clock, store = Outcome(), StandInClock(), a_store()
    known = HASHER.hash("a password that nobody guesses")
    for number in range(PEOPLE):
        store.add_person(f"Known {number}", "crew", known, clock.wall_ms())
    entrance = Entrance(store, clock)
    entrance.doors.look(again=True)
    chance = Chance(seed, "timings")
    wall: dict[str, list[int]] = {"Known": [], "Nobody": []}
    spent: dict[str, list[int]] = {"Known": [], "Nobody": []}
    loop = asyncio.new_event_loop()
    for number in PATIENCE.numbers(count):
        if number % (2 * PEOPLE) == 0:
            clock.on(FORGOTTEN_MS + 1)
            order = _shuffled([(who, at) for who in wall for at in range(PEOPLE)], chance)
        who, at = order[number % (2 * PEOPLE)]
        began, began_cpu = time.perf_counter_ns(), time.process_time_ns()
        loop.run_until_complete(_try(entrance, f"{who} {at}", f"a wrong guess {number}"))
        wall[who].append(time.perf_counter_ns() - began)
        spent[who].append(time.process_time_ns() - began_cpu)
    loop.close()
    entrance.passwords.close()
    outcome.injected["wrong passwords"] += sum(map(len, wall.values()))
    judge("wall", wall, outcome, must=False)
    judge("processor", spent, outcome, must=True)
    return outcome


async def _try(entrance: Entrance, name: str, password: str) -> None:
    try:
        await entrance.sign_in(name, password, DEVICE)
    except WrongPassword:
        return
    raise AssertionError(f"{name} got in")


def _shuffled(all_of: list[tuple[str, int]], chance: Chance) -> list[tuple[str, int]]:
    for at in range(len(all_of) - 1, 0, -1):
        other = chance.below(at + 1)
        all_of[at], all_of[other] = all_of[other], all_of[at]
    return all_of


def judge(kind: str, took: dict[str, list[int]], outcome: Outcome, *, must: bool) -> None:
    """Only processor time can fail: what else runs on the machine is in the other."""
    known, nobody = took["Known"], took["Nobody"]
    middle, other = median(known), median(nobody)
    apart = longer_share(known, nobody) - 0.5
    outcome.noted[f"{kind} time, median at known names, us"] = round(middle / 1000)
    outcome.noted[f"{kind} time, median at names of nobody, us"] = round(other / 1000)
    outcome.noted[f"{kind} time, known take longer, permille"] = round(PERMILLE * (apart + 0.5))
    if must:
        outcome.expect(abs(apart) <= APART_MAX, f"{kind}: known take longer by chance {apart:+.3f}")
        outcome.expect(abs(middle - other) <= MEDIANS_MAX * other, f"{kind}: {middle} and {other}")


def longer_share(these: list[int], those: list[int]) -> float:
    """Return the chance that one drawn of these is longer than one drawn of those."""
    ranked = sorted([(each, True) for each in these] + [(each, False) for each in those])
    below, won = 0, 0
    for _, is_these in ranked:
        if is_these:
            won += below
        else:
            below += 1
    return won / (len(these) * len(those))
