"""Goal: a night that never ends takes no more memory: shell, arbiter, and all round them.

Method: a small garden with faults, restarts and a crew; everything that hangs on the world is
counted, early and late. `python -m tests.study.week` does it for seven days.
"""

from haunt.live.boards import BOOTS_MAX, Boards
from haunt.study.failing import BOOTS_KEPT, Store
from haunt.study.schedule import Schedule
from tests.study.week import day_of, endless, grown

LOOK_MS = 600_000
GROWS_AT_MOST = 1.25
"""Room for what is bounded and not yet full: keys of hand, starts of the last hour."""

NOTES = {"Witness._sent", "Ears.cues"}
"""What those who judge the run write down of it; they are no part of the show."""


def test_a_world_holds_no_more_late_than_early() -> None:
    world = endless()
    day_of(world, 3, LOOK_MS)
    early = day_of(world, 3, LOOK_MS)
    late = day_of(world, 3, LOOK_MS)

    assert world.controller.starts > 3
    assert early.things > 2_000, "it does look into everything"
    assert late.things < GROWS_AT_MOST * early.things
    more = {each for each, (_was, now) in grown(early, late).items() if now > 64}
    assert more <= NOTES


def test_a_leak_would_be_seen() -> None:
    world = endless()
    leak: list[object] = []
    world.controller.running.leak = leak  # type: ignore[attr-defined]
    early = day_of(world, 2, LOOK_MS)
    leak += [object() for _ in range(early.things)]
    world.log.leak = leak  # type: ignore[attr-defined]

    late = day_of(world, 2, LOOK_MS)

    assert late.things > GROWS_AT_MOST * early.things
    assert any(where.endswith(".leak") for where in grown(early, late))


def test_a_board_that_starts_for_ever_leaves_a_bounded_number_of_counts() -> None:
    boards = Boards()
    boards.count_motion("other", "a" * 12)
    for boot in range(1_000):
        boards.count_motion("gate", f"{boot:012x}")
        boards.count_motion("gate", f"{boot:012x}")

    assert len(boards.journalled) == BOOTS_MAX + 1
    assert boards.journalled["gate", f"{999:012x}"] == 2
    assert boards.journalled["other", "a" * 12] == 1


def test_the_simulated_store_forgets_what_no_restart_asks_for() -> None:
    store = Store(Schedule(0, 0))
    for boot in range(1_000):
        store._count("gate", f"{boot:012x}")

    assert len(store.counted) == BOOTS_KEPT + 1
