"""Goal: a simulated night is the live night: repeatable by its seed, lawful under any faults.

Method: the example shows with the firmware's own brains, on the virtual clock.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.firmware import make_brain
from haunt.core.invariants import check_all
from haunt.study.faults import NONE, ROUGH, Faults
from haunt.study.visitors import Traffic
from haunt.study.world import World
from haunt.wire.showfile import read_show

ROOT = Path(__file__).resolve().parents[2]
EVENING = 1_793_484_000_000  # 2026-10-31T22:00:00Z, 18:00 in New York
HOUR_MS = 3_600_000


def night(seed: int, faults: Faults = NONE, hours: float = 0.5) -> World:
    text = (ROOT / "haunt" / "examples" / "first-night.toml").read_text()
    file = read_show(text, "first-night").show
    world = World(
        file,
        make_brain,
        seed=seed,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=120),
        faults=faults,
        sunset=sunset_of(file),
    )
    return world.run(int(hours * HOUR_MS))


def test_visitors_come_and_props_fire() -> None:
    verdict = night(1).verdict()

    assert verdict.groups > 40
    assert verdict.fired > 40
    assert verdict.troubles == ()


def test_what_the_controller_says_it_fired_is_what_the_boards_played() -> None:
    world = night(2)

    played = sum(len(board.played) for board in world.boards.values())

    assert played == world.verdict().fired


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_rough_night_breaks_no_law(seed: int) -> None:
    world = night(seed, ROUGH, hours=2)
    verdict = world.verdict()

    assert verdict.faults > 20
    assert verdict.broken == ""
    assert verdict.troubles == ()
    check_all(world.running.arbiter.night)


def test_no_behaviour_starts_while_the_show_is_stopped_whatever_the_air_does() -> None:
    from haunt.core import events  # noqa: PLC0415 - this test alone plays the crew
    from haunt.live.ports import ActionRow  # noqa: PLC0415

    world = night(4, ROUGH)
    now = world.schedule.now_ms
    stop = events.Stopped(now, world.running.wall_of(now), "crew")
    world.running.order(stop, ActionRow("crew", "stop", ""))
    heard_ms = now + ROUGH.slow_ms + ROUGH.link_lost_ms

    world.run(HOUR_MS // 2)

    late = [each for board in world.boards.values() for each in board.played if each[0] > heard_ms]
    assert late == []


def test_the_same_seed_is_the_same_night_and_another_is_not() -> None:
    assert night(5, ROUGH).log_hash() == night(5, ROUGH).log_hash()
    assert night(5, ROUGH).log_hash() != night(6, ROUGH).log_hash()


def test_the_hash_does_not_depend_on_how_python_orders_its_sets() -> None:
    program = (
        "from tests.study.test_world import night; from haunt.study.faults import ROUGH; "
        "print(night(7, ROUGH).log_hash())"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", program],
            check=True,
            capture_output=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT)},
        ).stdout
        for seed in ("1", "2")
    }

    assert len(found) == 1
