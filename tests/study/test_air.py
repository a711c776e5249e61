"""Goal: the air is as bad as real air, and no worse: what MQTT promises holds, nothing else does.

Method: a garden of two boards without visitors; links, broker and controller are cut by hand, and
what both sides then know is compared with what they would know of a real broker.
"""

import json
from collections.abc import Callable

import pytest

from haunt.bootstrap.firmware import make_brain
from haunt.core.events import Event, FiredByHand
from haunt.live.presence import SILENCE_MS
from haunt.study.air import BEATS_MAX, KEEPALIVE_MS, NOTICE_MS
from haunt.study.failing import Breakdown
from haunt.study.faults import NONE, Faults
from haunt.study.session import DEAD_MS
from haunt.study.visitors import Traffic
from haunt.study.world import HEALS_WITHIN_MS, World
from tests.outside.registry import outside
from tests.study.yards import yard

EVENING = 1_793_484_000_000
FILE = yard(4, props_a_board=2, props_a_sensor=1)
SECOND_MS = 1_000


def quiet(faults: Faults = NONE, seed: int = 1) -> World:
    world = World(FILE, make_brain, seed=seed, wall_ms=EVENING, traffic=Traffic(0), faults=faults)
    return world.run(60 * SECOND_MS)


def is_here(world: World, board: str) -> bool:
    return world.running.arbiter.night.boards[board].here


def until(world: World, holds: Callable[[], bool], within_ms: int) -> int:
    """Run until it holds; return how long that took."""
    began_ms = world.schedule.now_ms
    while not holds():
        assert world.schedule.now_ms - began_ms <= within_ms, "it took too long"
        world.run(100)
    return world.schedule.now_ms - began_ms


def test_a_board_in_the_dark_is_missed_by_its_will_or_its_silence() -> None:
    world = quiet()
    world.air.darken("b000")

    took_ms = until(world, lambda: not is_here(world, "b000"), 20 * SECOND_MS)

    assert SILENCE_MS - 5 * SECOND_MS <= took_ms <= KEEPALIVE_MS + SECOND_MS, "its last word counts"
    assert is_here(world, "b001")
    assert not world.boards["b000"].connected, "it has noticed too"


def test_a_board_that_is_back_before_anybody_noticed_was_never_away() -> None:
    world = quiet()
    path = world.air.paths["b000"]
    world.air.darken("b000")
    world.run(NOTICE_MS[0] - 1_000)
    world.boards["b000"].sense("s000")
    world.run(500)
    assert world.log.motions == 0

    world.air.lighten("b000")
    world.run(SECOND_MS)

    assert world.log.motions == 1, "what was held came through"
    assert world.air.paths["b000"] is path
    assert is_here(world, "b000")


def test_a_cue_that_was_held_too_long_comes_late_and_is_not_played() -> None:
    world = quiet()
    world.air.darken("b001")
    world.controller.order(_fire("p002"), "fire")
    world.run(4 * SECOND_MS)

    world.air.lighten("b001")
    world.run(2 * SECOND_MS)

    assert world.witness.cues == 1
    assert world.boards["b001"].played == []
    reports = [each.report for each in world.log.records if each.report is not None]
    assert [(each.state, each.why) for each in reports] == [("refused", "late")]


def _fire(prop: str) -> Callable[[int, int], Event]:
    return lambda mono_ms, wall_ms: FiredByHand(mono_ms, wall_ms, prop, "hand-1")


def test_what_a_board_saw_in_the_dark_is_told_later_as_old_and_fires_nothing() -> None:
    world = quiet()
    world.air.darken("b000")
    world.run(NOTICE_MS[1] + SECOND_MS)
    world.boards["b000"].sense("s000")
    world.run(20 * SECOND_MS)

    world.air.lighten("b000")
    world.run(10 * SECOND_MS)

    [decision] = world.decisions()
    assert (decision.outcome, decision.reason) == ("refused", "stale")
    assert world.heal().verdict().troubles == ()


def test_a_second_board_with_one_id_takes_the_connection_and_the_first_ones_will_is_spoken() -> (
    None
):
    world = quiet()
    topic = "haunt/yard/b000/presence"
    first = world.boards["b000"].boot
    twin = world.board("b000", " twin")
    twin.power_on("soft")

    until(world, lambda: twin.connected, 5 * SECOND_MS)

    assert not world.boards["b000"].connected
    world.run(50)
    assert json.loads(world.air.retained[topic])["boot"] == twin.boot != first
    until(world, lambda: world.boards["b000"].connected, 6 * SECOND_MS)
    assert not twin.connected, "and so it goes on"


def test_a_controller_that_is_cut_off_notices_by_silence_and_is_handed_what_it_missed() -> None:
    world = quiet()
    world.air.session.cut_off()
    world.boards["b000"].sense("s000")
    world.run(DEAD_MS - 500)
    assert world.running.link_up, "not yet"
    world.run(SECOND_MS)
    assert not world.running.link_up
    assert world.log.motions == 0

    world.air.session.join_up()
    world.run(5 * SECOND_MS)

    assert world.running.link_up
    assert world.log.motions == 1
    assert world.heal().verdict().troubles == ()


def test_a_broker_that_restarts_in_good_order_loses_nothing() -> None:
    world = quiet()
    world.controller.kill()
    world.boards["b000"].sense("s000")
    world.run(500)

    world.air.fall(killed=False)
    world.run(2 * SECOND_MS)
    world.air.rise()
    world.controller.start()
    world.run(10 * SECOND_MS)

    assert world.log.motions == 1
    assert world.heal().verdict().losses == {}


def test_a_broker_that_is_killed_loses_what_it_had_not_saved_and_the_counters_say_so() -> None:
    world = quiet()
    world.controller.kill()
    world.run(1_100 - world.schedule.now_ms % SECOND_MS)  # just after it saved
    world.boards["b000"].sense("s000")
    world.run(500)

    world.air.fall(killed=True)
    world.run(2 * SECOND_MS)
    world.air.rise()
    world.controller.start()
    world.run(40 * SECOND_MS)

    assert world.log.motions == 0
    assert [row.key for _ms, row in world.alerts()] == ["counters b000"]
    verdict = world.heal().verdict()
    assert verdict.losses == {"lost by the broker": 1}
    assert verdict.troubles == ()


def test_what_was_confirmed_just_before_the_broker_was_killed_comes_twice_and_counts_once() -> None:
    world = quiet()
    world.run(993 - world.schedule.now_ms % SECOND_MS)  # it arrives before the broker saves
    world.boards["b000"].sense("s000")
    world.run(15)  # and is confirmed after

    world.air.fall(killed=True)
    world.run(SECOND_MS)
    world.air.rise()
    world.run(10 * SECOND_MS)

    assert world.running.tally.duplicates == 1
    assert world.log.motions == 1
    assert world.heal().verdict().troubles == ()


def test_a_frozen_controller_wakes_to_what_came_meanwhile_and_loses_nothing() -> None:
    world = quiet()
    world.controller.freeze()
    world.boards["b000"].sense("s000")
    world.run(7 * SECOND_MS)
    assert world.log.motions == 0

    world.controller.thaw()
    world.run(SECOND_MS)

    [decision] = world.decisions()
    assert (decision.outcome, decision.reason) == ("refused", "stale"), "seven seconds are too late"
    assert world.heal().verdict().troubles == ()


def test_loss_doubling_and_delay_are_as_often_as_was_asked() -> None:
    faults = Faults(lost_qos0=0.2, duplicate=0.1, jitter_ms=9)
    world = quiet(faults)
    boards = world.boards.values()
    for _ in range(400):
        for board in boards:
            for sensor in [s.id for s in FILE.sensors if s.board == board.id]:
                board.sense(sensor, 100)
        world.run(2 * SECOND_MS)

    motions = sum(board.brain.tally().motions for board in boards)
    doubled = world.running.tally.duplicates
    assert motions == 1_600
    outside("chance/binomial").saw((doubled - 160) / (1_600 * 0.1 * 0.9) ** 0.5)
    assert world.running.tally.motions == motions, "QoS 1 is never lost"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_when_all_that_can_break_was_broken_at_once_it_heals_within_a_minute(seed: int) -> None:
    world = quiet(seed=seed)
    world.store.breakdowns = [Breakdown(world.store.writes + 1, writes=None)]
    for name, board in world.boards.items():
        board.sense(f"s{2 * int(name[1:]):03}")
        world.air.darken(name)
    world.run(2 * SECOND_MS)
    world.air.fall(killed=True)
    world.controller.kill()
    world.run(30 * SECOND_MS)
    assert world.running.begun

    world.store.mend()
    world.air.rise()
    world.controller.start()
    for name in world.boards:
        world.air.lighten(name)
    verdict = world.heal().verdict()

    print(f"well again after {verdict.healed_ms} ms")
    assert verdict.troubles == ()
    assert verdict.healed_ms is not None
    assert 0 < verdict.healed_ms < HEALS_WITHIN_MS


def test_when_all_boards_come_back_at_once_none_of_the_many_beats_is_mislaid() -> None:
    """Each hello makes the controller beat: more of them in a second than usually in minutes."""
    file = yard(72, props_a_board=1)
    world = World(file, make_brain, seed=1, wall_ms=EVENING, traffic=Traffic(0))
    world.run(15 * SECOND_MS)
    world.air.fall(killed=False)
    world.run(2 * SECOND_MS)
    world.air.rise()
    world.run(15 * SECOND_MS)

    tallies = [board.brain.tally() for board in world.boards.values()]
    assert len(tallies) > BEATS_MAX
    assert {each.epoch for each in tallies} == {world.running.arbiter.night.epoch}
    assert not any(each.still for each in tallies)
    assert world.heal().verdict().troubles == ()
