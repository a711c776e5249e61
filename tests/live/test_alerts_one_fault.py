"""Goal: one fault is one alert: what follows from a fault that is told is not told as another.

Method: the scripted garden; a sensor that was stuck and lets go, and a cue that met a restart.
"""

from tests.live.gardenstage import Garden

GROUP_MS, MINUTE_MS = 40_000, 60_000


def test_a_sensor_that_was_stuck_is_not_silent_for_those_who_passed_meanwhile() -> None:
    garden = Garden(5).open()
    for _ in range(4):
        garden.walk()
        garden.run(GROUP_MS)
    garden.boards["b3"].high = {"s3"}
    garden.run(3 * MINUTE_MS)
    for _ in range(5):
        garden.walk(blind="s3")
        garden.run(GROUP_MS)
    assert garden.keys() == ["stuck s3"]

    garden.boards["b3"].high = set()
    for _ in range(3):
        garden.walk(blind="s3")
        garden.run(GROUP_MS)

    assert {row.key for row in garden.rows()} == {"stuck s3"}


def test_a_cue_that_a_restart_swallowed_is_told_by_the_restarts_alone() -> None:
    garden = Garden(3).open()
    board = garden.boards["b2"]
    garden.run(2 * MINUTE_MS)
    board.start("aaaaaaaaaaaa", "brown-out")
    garden.run(8_000)
    board.answers = False
    board.sense("s2")
    garden.run(5_000)
    board.answers = True
    for boot in ("bbbbbbbbbbbb", "cccccccccccc"):
        board.start(boot, "brown-out")
        garden.run(8_000)

    assert {row.key for row in garden.rows()} == {"boot-loop b2"}


def test_a_cue_that_a_board_long_up_does_not_answer_is_told_when_it_is_heard_again() -> None:
    garden = Garden(3).open()
    garden.boards["b2"].answers = False
    garden.boards["b2"].sense("s2")
    garden.run(12_000)

    assert garden.keys() == ["unconfirmed p2"]


def test_a_cue_that_a_board_long_up_swallowed_as_it_went_down_is_told_by_what_follows() -> None:
    """Silent from the cue on, it starts anew: a restart, and no second fault of the cue."""
    garden = Garden(3).open()
    board = garden.boards["b2"]
    garden.run(2 * MINUTE_MS)
    board.answers = False
    board.sense("s2")
    board.is_on = False
    garden.run(6_000)
    board.answers = True
    board.start("bbbbbbbbbbbb", "brown-out")
    garden.run(30_000)

    assert garden.keys() == []
    assert garden.rows() == []
