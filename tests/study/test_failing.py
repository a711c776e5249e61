"""Goal: wherever the store fails, and for however long, the props play on and nothing is hidden.

Method: a short night of two props played again and again; its n-th write fails, once, with its
answer lost, for a while, or for ever; at each message the controller is killed. Here every third of
them is tried, with HAUNT_LONG every one.
"""

import os
from collections.abc import Iterator

import pytest

from haunt.bootstrap.firmware import make_brain
from haunt.core.decisions import Outcome
from haunt.core.events import Motion
from haunt.live.ports import JournalCounts, Record
from haunt.study.boards import Played
from haunt.study.failing import GIVE_UP_MS, Breakdown, SimJournal, Store, StoreFailedError
from haunt.study.faults import NONE
from haunt.study.ledger import IN_STORE, Ledger
from haunt.study.nightlog import NightLog
from haunt.study.schedule import Schedule
from haunt.study.visitors import Traffic
from haunt.study.world import World
from tests.study.yards import yard

EVENING = 1_793_484_000_000
FILE = yard(2, props_a_board=1, props_a_sensor=1)
NIGHT_MS = 90_000
STEP = 1 if os.environ.get("HAUNT_LONG") else 3


def night(*breakdowns: Breakdown, seed: int = 2, groups: int = 160) -> World:
    world = World(
        FILE,
        make_brain,
        seed=seed,
        wall_ms=EVENING,
        traffic=Traffic(groups_per_hour=groups),
        faults=NONE,
    )
    world.store.breakdowns = [*breakdowns]
    return world


def played(world: World) -> list[Played]:
    return sorted(each for board in world.boards.values() for each in board.played)


CALM = night().run(NIGHT_MS)
WRITES = CALM.store.writes


def test_the_night_is_busy_enough_to_tell() -> None:
    assert WRITES >= 60
    assert len(played(CALM)) >= 5
    assert CALM.verdict().troubles == ()


def every_breakdown() -> Iterator[Breakdown]:
    for first in range(1, WRITES + 1, STEP):
        yield Breakdown(first)
        yield Breakdown(first, answer_lost=True)
        yield Breakdown(first, writes=4)


def test_wherever_a_write_fails_for_a_moment_the_night_is_the_same_and_all_is_kept() -> None:
    tried = 0
    for breakdown in every_breakdown():
        world = night(breakdown).run(NIGHT_MS)
        assert played(world) == played(CALM), breakdown
        assert world.store.failed >= 1, breakdown
        verdict = world.heal().verdict()
        assert verdict.troubles == (), breakdown
        assert verdict.losses == {}, breakdown
        assert world.running.alerts.open() == [], "four failing writes take a second and a half"
        tried += 1
    assert tried >= 3 * (WRITES // STEP)


@pytest.mark.parametrize("first", [1, WRITES // 3, WRITES // 2])
def test_a_store_that_fails_for_ever_delays_no_cue_and_its_gap_is_counted_and_named(
    first: int,
) -> None:
    world = night(Breakdown(first, writes=None)).run(NIGHT_MS)

    assert played(world) == played(CALM), "the show goes on"
    lost = world.ledger.losses[IN_STORE]
    assert lost + world.log.motions + len(world.ledger.open()) == CALM.log.motions
    assert lost > 0
    assert world.running.receipts.not_journalled >= lost
    assert world.view().counters.journal_failing
    assert [each.kind for each in world.view().alerts] == ["journal"]
    assert world.witness.troubles + world.ledger.troubles == []


def test_after_a_store_that_failed_for_a_minute_everything_is_kept_again() -> None:
    world = night(Breakdown(20, until_ms=86_400_000 + 60_000)).run(3 * NIGHT_MS)

    world.run(60_000)
    after = [each for each in world.log.records if each.mono_ms > 86_400_000 + 60_000]
    verdict = world.heal().verdict()

    assert any(each.has_motion for each in after)
    assert verdict.losses.keys() == {IN_STORE}
    assert verdict.troubles == ()
    assert world.view().alerts == ()


@pytest.mark.parametrize("write", range(2, 30, 4))
def test_killed_while_the_store_fails_it_starts_from_what_was_kept_and_breaks_no_law(
    write: int,
) -> None:
    world = night(Breakdown(write, until_ms=86_400_000 + 45_000), seed=3).run(40_000)
    stopped_at = world.store.last

    world.controller.kill()
    world.store.mend()
    world.run(3_000)
    assert world.store.last == stopped_at, "nothing is written while nobody runs"
    world.controller.start()
    verdict = world.run(60_000).heal().verdict()

    assert verdict.troubles == ()
    assert verdict.restarts == 1
    assert verdict.fired > 0


def test_killed_at_any_message_no_cue_plays_twice_and_no_motion_is_decided_twice() -> None:
    again = motions = 0
    for points in range(0, 160, STEP):
        world = night().run(20_000)
        world.controller.kill(points)
        while world.controller.up:
            world.run(100)
        world.run(500)
        world.controller.start()
        verdict = world.run(20_000).heal().verdict()
        assert verdict.troubles == (), f"killed at point {points}"
        again, motions = again + world.witness.again, motions + verdict.motions
    print(f"{again} cues were sent again after a kill; {motions} motions")
    assert motions > 100
    assert again > 0, "some cues had gone out and nobody knew"


# --- the journal alone, against what is promised of it


class Told:
    """A listener that remembers."""

    def __init__(self) -> None:
        self.kept: list[int] = []
        self.gone: list[int] = []

    def committed(self, records: list[Record]) -> None:
        self.kept += [each.number for each in records]

    def lost(self, records: list[Record]) -> None:
        self.gone += [each.number for each in records]


def journal(*breakdowns: Breakdown) -> tuple[Schedule, Store, SimJournal, Told]:
    schedule, told = Schedule(1_000_000, EVENING), Told()
    store = Store(schedule, [*breakdowns])
    found = SimJournal(schedule, store, NightLog(Ledger({}), keep=False))
    found.listener = told
    return schedule, store, found, told


def record(number: int, at_ms: int) -> Record:
    motion = Motion(at_ms, EVENING, "b000", "s000", "7f3a91c2d405", number)
    return Record(number, at_ms, EVENING, event=motion)


def test_a_record_that_cannot_be_written_for_five_seconds_is_given_up_and_the_next_are_not() -> (
    None
):
    schedule, store, found, told = journal(Breakdown(1, until_ms=1_000_000 + 7_000))
    found.put(record(1, 1_000_000))
    schedule.run_until(1_000_000 + GIVE_UP_MS - 1_000)
    found.put(record(2, schedule.now_ms))
    assert (told.kept, told.gone) == ([], [])
    assert found.counts().failing

    schedule.run_until(1_000_000 + 9_000)

    assert (told.kept, told.gone) == ([2], [1])
    assert found.counts() == JournalCounts(1, 1, 0, "")
    assert store.counted.total() == 1


def test_a_write_whose_answer_was_lost_is_not_written_again() -> None:
    schedule, store, found, told = journal(Breakdown(1, answer_lost=True))
    found.put(record(1, 1_000_000))
    schedule.run_until(1_000_000 + 50)
    found.put(record(2, schedule.now_ms))

    schedule.run_until(1_002_000)

    assert told.kept == [1, 2]
    assert store.counted.total() == 2
    assert store.writes == 2


def test_what_was_not_committed_is_gone_with_the_process() -> None:
    schedule, store, found, told = journal()
    found.put(record(1, 1_000_000))
    schedule.run_until(1_000_100)
    found.put(record(2, schedule.now_ms))

    found.die()
    schedule.run_until(1_010_000)

    assert told.kept == [1]
    assert store.last is not None
    assert store.last.number == 1


def test_a_failing_write_keeps_nothing_of_its_batch() -> None:
    schedule = Schedule(1_000_000, EVENING)
    store = Store(schedule, [Breakdown(1)])

    with pytest.raises(StoreFailedError):
        store.write([record(1, 1_000_000), record(2, 1_000_001)])

    assert store.last is None
    assert list(store.events_after()) == []


def test_the_log_counts_what_was_decided_by_outcome() -> None:
    fired = [each for each in CALM.decisions() if each.outcome is Outcome.FIRED]

    assert CALM.verdict().fired == len(fired)
