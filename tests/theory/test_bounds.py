"""Goal: what the arbiter remembers is bounded, however long the night.

Method: a week without a pause on the virtual clock, with everything in it that leaves a trace.
All that can be reached from the arbiter is counted every four hours; day 7 must hold no more
than day 2. The thick week is `python -m tests.theory.week`.
"""

import json

import pytest

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.seen import WINDOW
from haunt.core.show import Behaviour, Link
from tests.core.stage import prop, sensor, show
from tests.theory.holding import holding_of
from tests.theory.week import THIN_MS, Day, play
from tests.theory.yard import START_MS, Yard

FULL = {
    "Night.hand_keys": 256,
    "Night.strangers": 64,
    "Board.seen_before": 7,
    "BoardMemory.seen_before": 7,
}


@pytest.fixture(scope="module")
def week() -> list[Day]:
    return list(play(THIN_MS))


def test_on_day_seven_the_arbiter_holds_no_more_than_on_day_two(week: list[Day]) -> None:
    """A twentieth more is luck: triggers under way. Bytes include the spare room of lists."""
    second, seventh = week[1], week[6]

    assert seventh.things <= 1.05 * second.things
    assert seventh.size_bytes <= 1.15 * second.size_bytes
    assert seventh.snapshot_bytes <= 1.05 * second.snapshot_bytes


def test_the_process_holds_no_more_either(week: list[Day]) -> None:
    """By the interpreter's own allocator: one block kept a motion would be 20,000 more."""
    assert week[6].blocks <= week[1].blocks + 2_000


def test_no_container_on_day_seven_is_longer_than_on_day_two(week: list[Day]) -> None:
    """Those that chance fills (triggers under way, starts of an hour) may be a quarter longer."""
    second, seventh = week[1].longest, week[6].longest

    assert {
        where: (second.get(where, 0), size)
        for where, size in seventh.items()
        if size > 1.25 * second.get(where, 0) + 4
    } == {}


def test_what_is_bounded_was_full_so_the_week_could_have_shown_a_leak(week: list[Day]) -> None:
    assert {each: week[1].longest[each] for each in FULL} == FULL


def test_one_thing_kept_a_motion_would_be_seen() -> None:
    """The measure itself: it counts what hangs in a list of a list of a slotted object."""
    yard = Yard(show(prop(), sensor()), lambda: 1_000)
    before = holding_of(yard.arbiter)
    yard.arbiter.night.props["gate"].on_times += [(at, at + 1) for at in range(1_000, 1_100)]
    after = holding_of(yard.arbiter)

    assert after.things >= before.things + 200
    assert after.longest["Prop.on_times"] == before.longest["Prop.on_times"] + 100


def test_motions_of_one_boot_are_remembered_in_the_same_bytes_however_many() -> None:
    yard = Yard(show(prop(), sensor(block_ms=60_000)), lambda: 1_000)
    sizes = []
    for count in (2 * WINDOW, 20 * WINDOW):
        yard.run((START_MS + count * 1_000 + at, "pir") for at in range(count))
        sizes.append(holding_of(yard.arbiter).size_bytes)

    assert sizes[1] <= sizes[0] + 200


def test_a_board_that_refuses_every_cue_leaves_no_pile_of_timers() -> None:
    """Each refused cue was to last an hour, and its end is no more asked for."""
    act = Behaviour("rise", 3_600_000)
    yard = Yard(show(prop(behaviours=(act,)), sensor()), lambda: 1, refuses=lambda _cue: True)
    longest = 0
    for at in range(START_MS, START_MS + 3_000_000, 300):
        yard.run([(at, "pir")])
        longest = max(longest, len(yard.arbiter.night.heap))

    assert yard.starts["gate"] == 10_000
    assert longest <= 16 * (1 + 1 + 64)


def test_restarts_one_upon_another_add_nothing() -> None:
    yard = Yard(show(prop(), sensor(links=(Link("gate", delay_ms=3_600_000),))), lambda: 1_000)
    yard.run((START_MS + at, "pir") for at in range(50))
    sizes = set()
    for count in range(1, 201):
        memory = json.loads(json.dumps(yard.arbiter.snapshot()))
        yard.arbiter = Arbiter(yard.of, memory=memory)
        yard.tell(START_MS + 1_000 * count, events.Started, link_up=True)
        sizes.add(holding_of(yard.arbiter).things)

    assert len(yard.arbiter.night.items) == 50
    assert max(sizes) <= min(sizes) + 10
