"""Whole simulated nights with random faults: no law is broken, and a seed repeats its night.

Four hours of the example with three boards; with HAUNT_LONG=1 a whole day of 200 props on 50.
"""

import gc
import os
from pathlib import Path

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.firmware import make_brain
from haunt.core.invariants import check_all
from haunt.study.faults import ROUGH
from haunt.study.visitors import Traffic
from haunt.study.world import World
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile
from tests.soak.outcome import PATIENCE, Outcome
from tests.study.yards import yard
from tests.system.house import ROOT

EVENING = 1_793_484_000_000  # 2026-10-31T22:00:00Z
IS_LONG = bool(os.environ.get("HAUNT_LONG"))
HOURS = 24 if IS_LONG else 4
PROPS_LONG = 200
HOUR_MS = 3_600_000
REPEATED_EVERY = 5
COLLECT_AFTER = 50_000
"""Objects; a tenth of a day went by in looking through a heap that hardly changes."""


def run(count: int, seed: int, _folder: Path) -> Outcome:
    """Live `count` nights, every fifth twice."""
    outcome = Outcome()
    gc.set_threshold(COLLECT_AFTER)
    for at in PATIENCE.numbers(count):
        number = seed + at
        world = _night(number)
        verdict = world.verdict()
        outcome.noted["nights"] += 1
        outcome.injected["faults of a rough night"] += verdict.faults
        outcome.noted["hours lived"] += HOURS
        outcome.noted["motions"] += verdict.motions
        outcome.noted["starts"] += verdict.fired
        outcome.expect(not verdict.broken, f"seed {number}: {verdict.broken}")
        for each in verdict.troubles[:3]:
            outcome.failures.append(f"seed {number}: {each}")
        check_all(world.running.arbiter.night)
        if at % REPEATED_EVERY == 0:
            outcome.noted["nights lived twice"] += 1
            again = _night(number).verdict().log_hash
            outcome.expect(again == verdict.log_hash, f"seed {number} is another night now")
    return outcome


def _show() -> ShowFile:
    if IS_LONG:
        return yard(PROPS_LONG)
    return read_show((ROOT / "haunt/examples/first-night.toml").read_text(), "first-night").show


def _night(seed: int) -> World:
    file = _show()
    world = World(
        file,
        make_brain,
        seed=seed,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=120),
        faults=ROUGH,
        sunset=sunset_of(file),
        keep=False,
    )
    return world.run(HOURS * HOUR_MS)
