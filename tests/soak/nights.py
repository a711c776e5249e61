"""Whole simulated nights with random faults: no law is broken, and a seed repeats its night."""

from pathlib import Path

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.firmware import make_brain
from haunt.core.invariants import check_all
from haunt.study.faults import ROUGH
from haunt.study.visitors import Traffic
from haunt.study.world import World
from haunt.wire.showfile import read_show
from tests.soak.outcome import Outcome
from tests.system.house import ROOT

EVENING = 1_793_484_000_000  # 2026-10-31T22:00:00Z
HOURS = 4
HOUR_MS = 3_600_000
REPEATED_EVERY = 5


def run(count: int, seed: int, _folder: Path) -> Outcome:
    """Live `count` nights of four hours, every fifth twice."""
    outcome = Outcome()
    for number in range(seed, seed + count):
        world = _night(number)
        verdict = world.verdict()
        outcome.injected["faults of a rough night"] += verdict.faults
        outcome.noted["hours lived"] += HOURS
        outcome.noted["motions"] += verdict.motions
        outcome.noted["starts"] += verdict.fired
        outcome.expect(not verdict.broken, f"seed {number}: {verdict.broken}")
        for each in verdict.troubles[:3]:
            outcome.failures.append(f"seed {number}: {each}")
        check_all(world.running.arbiter.night)
        if (number - seed) % REPEATED_EVERY == 0:
            outcome.noted["nights lived twice"] += 1
            again = _night(number).verdict().log_hash
            outcome.expect(again == verdict.log_hash, f"seed {number} is another night now")
    return outcome


def _night(seed: int) -> World:
    file = read_show((ROOT / "haunt/examples/first-night.toml").read_text(), "first-night").show
    world = World(
        file,
        make_brain,
        seed=seed,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=120),
        faults=ROUGH,
        sunset=sunset_of(file),
    )
    return world.run(HOURS * HOUR_MS)
