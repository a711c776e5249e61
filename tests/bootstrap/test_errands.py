"""Goal: long work runs apart, one at a time, tells how far it is, and ends when it is told to.

Method: small programs in place of the real one, on real processes; a test waits on what they say.
"""

import sys
from collections.abc import Callable, Iterator
from queue import Queue

import pytest

from haunt.bootstrap.errands import Errands
from haunt.site.workports import Work, WorkState

DEADLINE_S = 20.0
SAYS = "import sys; print('progress 1 4', file=sys.stderr, flush=True); {}"
WAITS = SAYS.format("import threading; threading.Event().wait()")


class Heard(Errands):
    """Errands on programs of a test, and the news of them."""

    def __init__(self, longest_s: float = 600) -> None:
        self.news: Queue[tuple[str, Work]] = Queue()
        super().__init__(
            longest_s, (sys.executable, "-c"), lambda key, work: self.news.put((key, work))
        )


@pytest.fixture
def errands() -> Iterator[Heard]:
    found = Heard()
    yield found
    found.stop()


def until(errands: Heard, key: str, is_so: Callable[[Work], bool]) -> Work:
    """Wait for news until it is so; the deadline fails the test."""
    while True:
        heard, work = errands.news.get(timeout=DEADLINE_S)
        if heard == key and is_so(work):
            return work


def ended(work: Work) -> bool:
    return work.state is not WorkState.RUNNING


def test_what_it_prints_is_kept_for_whoever_asks_again(errands: Heard) -> None:
    assert errands.ask("a", ["print('42')"]).state is WorkState.RUNNING
    assert until(errands, "a", ended) == Work(WorkState.DONE, output="42\n")
    assert errands.ask("a", ["print('43')"]).output == "42\n"
    assert errands.ask("a", ["print('43')"], again=True).state is WorkState.RUNNING
    assert until(errands, "a", ended).output == "43\n"


def test_it_tells_how_far_it_is(errands: Heard) -> None:
    errands.ask("a", [WAITS])
    work = until(errands, "a", lambda each: each.total > 0)

    assert (work.state, work.done, work.total, work.percent) == (WorkState.RUNNING, 1, 4, 25)


def test_a_second_one_has_to_wait(errands: Heard) -> None:
    errands.ask("a", [WAITS])

    assert errands.ask("b", ["print(1)"]).state is WorkState.BUSY
    assert errands.look("b") is None
    errands.cancel("a")
    assert until(errands, "a", ended).state is WorkState.FAILED
    assert errands.ask("b", ["print(1)"]).state is WorkState.RUNNING


def test_why_it_failed_is_told_in_its_last_words(errands: Heard) -> None:
    errands.ask("a", [SAYS.format("sys.exit('haunt: no night has been recorded yet')")])
    work = until(errands, "a", ended)

    assert (work.state, work.said) == (WorkState.FAILED, "no night has been recorded yet")


def test_what_takes_too_long_is_ended() -> None:
    errands = Heard(longest_s=0.2)
    errands.ask("a", [WAITS])

    assert "took more than 0.2 s" in until(errands, "a", ended).said
    errands.stop()


def test_nothing_begins_once_the_server_ends(errands: Heard) -> None:
    errands.ask("a", [WAITS])
    errands.stop()

    assert until(errands, "a", ended).state is WorkState.FAILED
    assert errands.ask("b", ["print(1)"]).state is WorkState.FAILED


def test_only_so_much_is_kept(errands: Heard) -> None:
    for n in range(3):
        errands.ask(f"{n}", ["print(1)"])
        until(errands, f"{n}", ended)
    for n in range(100):
        errands._keep(f"k{n}", Work(WorkState.DONE))

    assert errands.look("0") is None
    assert errands.look("k99") is not None
