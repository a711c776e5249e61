"""Goal: a simulated night is the live night: repeatable by its seed, lawful under any faults.

Method: the example shows with the firmware's own brains, on the virtual clock. `python -m
tests.study.many` plays whole nights of this by the thousand.
"""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.firmware import make_brain
from haunt.bootstrap.rehearse import Rehearsal, rehearse
from haunt.core import events
from haunt.core.decisions import Outcome
from haunt.core.invariants import check_all
from haunt.live.ports import Record
from haunt.study.boards import SimBoard
from haunt.study.faults import NONE, ROUGH, Faults
from haunt.study.ledger import Ledger
from haunt.study.nightlog import NightLog
from haunt.study.visitors import Traffic
from haunt.study.world import HEALS_WITHIN_MS, World
from haunt.wire.showfile import read_show

ROOT = Path(__file__).resolve().parents[2]
EVENING = 1_793_484_000_000  # 2026-10-31T22:00:00Z, 18:00 in New York
HOUR_MS = 3_600_000


def night(seed: int, faults: Faults = NONE, hours: float = 0.5, kind: type[World] = World) -> World:
    text = (ROOT / "haunt" / "examples" / "first-night.toml").read_text()
    file = read_show(text, "first-night").show
    world = kind(
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

    fired = [each.prop for each in world.decisions() if each.outcome is Outcome.FIRED]
    played = [each.prop for board in world.boards.values() for each in board.played]

    assert sorted(filter(None, fired)) == sorted(played)
    assert len(played) > 40


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_rough_night_breaks_no_law_and_heals(seed: int) -> None:
    world = night(seed, ROUGH, hours=1.5).heal()
    verdict = world.verdict()

    assert verdict.faults > 20
    assert verdict.broken == ""
    assert verdict.troubles == ()
    assert verdict.healed_ms is not None
    assert verdict.healed_ms <= HEALS_WITHIN_MS
    check_all(world.running.arbiter.night)


def test_the_controller_is_killed_several_times_an_hour_and_goes_on_from_what_was_kept() -> None:
    verdict = night(4, ROUGH, hours=2).heal().verdict()

    assert verdict.restarts >= 4
    assert verdict.restarts == verdict.injected["killed"]
    assert verdict.troubles == ()


def test_no_behaviour_starts_while_the_show_is_stopped_whatever_the_air_does() -> None:
    faults = Faults(duplicate=0.1, slow=0.1, lost_qos0=0.1, dark_every_ms=300_000)
    world = night(5, faults)
    world.controller.order(lambda m, w: events.Stopped(m, w, "crew"), "stop")
    heard_ms = world.schedule.now_ms + faults.slow_ms + 10 * faults.dark_ms

    world.run(HOUR_MS // 2)

    late = [each for board in world.boards.values() for each in board.played if each[0] > heard_ms]
    assert late == []
    assert world.verdict().troubles == (), "and none after its board had heard the stop"


def test_the_same_seed_is_the_same_night_and_another_is_not() -> None:
    first, again, other = (night(seed, ROUGH).heal().verdict() for seed in (5, 5, 6))

    assert first == again
    assert first.log_hash != other.log_hash


def test_the_hash_covers_every_event_every_decision_and_their_order() -> None:
    base = night(7, hours=0.1)
    decided = [each for each in base.log.records if each.decisions]
    whole = hash_of(decided)

    changed = replace(decided[0], decisions=(decided[0].decisions[0]._replace(margin=7),))
    moved = replace(decided[0], event=replace(decided[0].event, wall_ms=1))  # type: ignore[type-var]

    assert hash_of(decided) == whole
    assert hash_of([changed, *decided[1:]]) != whole
    assert hash_of([moved, *decided[1:]]) != whole
    assert hash_of([*decided[1:], decided[0]]) != whole
    assert hash_of(decided[:-1]) != whole


def hash_of(records: list[Record]) -> str:
    log = NightLog(Ledger({}), keep=False)
    for each in records:
        log.put(each)
    return log.hash()


def test_a_release_that_a_restart_cut_off_is_pressed_again_and_the_stop_was_kept_till_then() -> (
    None
):
    world = night(4, hours=0.1)
    world.controller.order(lambda m, w: events.Stopped(m, w, "crew"), "stop")
    world.run(8_000)
    world.mischief._release()
    world.run(2_000)
    world.controller.kill()
    world.run(1_000)
    world.controller.start()

    world.run(2_000)
    assert world.running.arbiter.night.stopped, "the count is begun anew by a person alone"
    world.run(12_000)
    assert not world.running.arbiter.night.stopped


# --- boards that sleep


class EagerWorld(World):
    """Every beat is sent on by itself, and taken up when it comes."""

    def board(self, name: str, twin: str = "", *, keep: bool = False) -> SimBoard:
        self.air._let_sleep = lambda path: None  # type: ignore[method-assign]  # noqa: ARG005
        return super().board(name, twin, keep=keep)


@pytest.mark.parametrize(("seed", "faults"), [(8, NONE), (9, ROUGH)])
def test_a_board_that_sleeps_between_its_events_does_what_one_that_is_always_awake_does(
    seed: int, faults: Faults
) -> None:
    """They may differ only where a beat and a cue come within the same millisecond."""
    sleeper, eager = night(seed, faults), night(seed, faults, kind=EagerWorld)

    assert sleeper.verdict() == eager.verdict()


def test_an_idle_board_is_woken_only_to_tell_its_health() -> None:
    text = (ROOT / "haunt" / "examples" / "first-night.toml").read_text()
    file = read_show(text, "first-night").show
    world = World(
        file, make_brain, seed=1, wall_ms=EVENING, traffic=Traffic(0), sunset=sunset_of(file)
    )
    world.run(60_000)
    sent, slept_ms = world.air.session.carried, 600_000

    world.run(slept_ms)

    told = world.air.session.carried - sent
    assert told == pytest.approx(len(world.boards) * slept_ms / 5_000, abs=len(world.boards))
    assert len(world.schedule) < 6 * len(world.boards) + 6, "nothing else waits to happen"


# --- as a command


def rehearsed(seed: int, hours: float = 1.0) -> Rehearsal:
    found = rehearse(None, seed=seed, hours=hours, faults=True, groups_per_hour=60)
    assert isinstance(found, Rehearsal)
    return found


def test_a_rehearsal_with_faults_restarts_the_controller_and_keeps_every_promise() -> None:
    found = rehearsed(3)

    assert found.kept
    assert found.verdict.restarts >= 2
    assert found.verdict.injected["store-fails"] >= 1
    assert json.dumps(found.as_json())


def _printed(folder: Path, hash_seed: str) -> str:
    words = ["rehearse", "--faults", "--seed", "5", "--hours", "0.5"]
    done = subprocess.run(
        [sys.executable, "-m", "haunt", *words],
        check=False,
        capture_output=True,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONHASHSEED": hash_seed, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_the_command_prints_the_same_verdict_and_hash_whatever_order_sets_have(
    tmp_path: Path,
) -> None:
    """Real processes, whose nights have restarts and alerts in them."""
    one, other = (_printed(tmp_path, seed) for seed in ("1", "2"))
    found = rehearsed(5, 0.5).verdict

    assert one == other
    assert found.log_hash in one
    assert found.restarts >= 1
    assert "every promise held" in one


@pytest.mark.parametrize("zone", ["America/New_York", "Europe/Berlin", "Asia/Tokyo"])
def test_a_rehearsal_begins_while_the_doors_are_open_wherever_the_show_stands(
    tmp_path: Path, zone: str
) -> None:
    text = (ROOT / "haunt" / "examples" / "first-night.toml").read_text()
    file = tmp_path / "show.toml"
    file.write_text(text.replace("America/New_York", zone))

    found = rehearse(file, seed=1, hours=0.5, faults=False, groups_per_hour=60)

    assert isinstance(found, Rehearsal)
    assert found.verdict.groups > 10
    assert found.verdict.fired > 10


def test_a_show_without_props_is_answered_in_words(tmp_path: Path) -> None:
    file = tmp_path / "show.toml"
    file.write_text('[show]\nid = "bare"\ntime_zone = "UTC"\n')

    found = rehearse(file, seed=1, hours=0.1, faults=False, groups_per_hour=60)

    assert found == "the show has no prop yet, so there is nothing to rehearse"
