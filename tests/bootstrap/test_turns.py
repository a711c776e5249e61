"""Goal: another turn is begun whenever it is asked for, while one is built too; an end is an end.

Method: the turns alone, with a server that only notes that it was ended.
"""

from typing import Any

from haunt.bootstrap.front import Turns


class Noted:
    def __init__(self) -> None:
        self.ends = 0

    def end_soon(self) -> None:
        self.ends += 1


def test_what_is_asked_for_while_a_turn_is_built_ends_it_as_it_begins() -> None:
    turns, server = Turns(), Noted()
    turns.fresh()

    turns.again()  # the show was taken over meanwhile
    begun: Any = server
    turns.begin(begun)

    assert server.ends == 1
    assert turns.is_another


def test_a_turn_that_nobody_asked_to_end_goes_on_and_the_next_starts_afresh() -> None:
    turns, first, second = Turns(), Noted(), Noted()
    turns.fresh()
    one: Any = first
    turns.begin(one)
    assert (first.ends, turns.is_another) == (0, False)

    turns.again()
    assert (first.ends, turns.is_another) == (1, True)

    turns.fresh()
    two: Any = second
    turns.begin(two)
    assert (second.ends, turns.is_another) == (0, False)


def test_an_end_wins_over_another_turn() -> None:
    turns, server = Turns(), Noted()
    turns.fresh()
    turns.again()
    turns.ended()
    begun: Any = server
    turns.begin(begun)

    assert server.ends == 1
    assert not turns.is_another
