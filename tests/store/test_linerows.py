"""Goal: what people made of each line is kept, once a line, and what was struck stays struck.

Method: a fresh database of each kind; rows added, judged, and marked as followed.
"""

import pytest

from haunt.store.linerows import POOL_MAX, LineStore
from haunt.store.refusal import StoreRefused
from haunt.study.pools.pool import PoolLine, State
from haunt.wire.saying import line_id
from tests.store.stage import Opened


@pytest.fixture
def store(database: Opened) -> LineStore:
    return LineStore(database.writing, database.writing)


def line(text: str, state: State = State.NEW, behaviour: str = "growl", at_ms: int = 7) -> PoolLine:
    name = line_id(text)
    return PoolLine("gate", behaviour, name, text, 2, state, "import", at_ms, "Mara", pending=True)


def test_lines_come_back_in_the_order_in_which_they_came(store: LineStore) -> None:
    lines = [line(each) for each in ("c", "a", "b")]

    assert store.add(lines) == 3
    assert store.of("gate", "growl") == lines
    assert store.every() == store.pending() == lines
    assert store.of("gate", "other") == []


def test_what_a_pool_has_is_not_added_again_and_another_pool_may_have_it(store: LineStore) -> None:
    store.add([line("a"), line("b")])

    assert store.add([line("b"), line("c"), line("a", behaviour="welcome")]) == 2
    assert store.add([]) == 0


def test_a_struck_line_stays_struck_when_it_is_brought_in_again(store: LineStore) -> None:
    store.add([line("a")])
    store.judge(line("a", State.STRUCK, at_ms=9))

    assert store.add([line("a")]) == 0
    assert store.of("gate", "growl") == [line("a", State.STRUCK, at_ms=9)]


def test_a_line_of_the_show_file_alone_is_kept_once_it_is_judged(store: LineStore) -> None:
    store.judge(line("a", State.STRUCK))

    assert [each.state for each in store.pending()] == [State.STRUCK]


def test_what_the_show_followed_is_done_but_not_what_was_judged_since(store: LineStore) -> None:
    store.add([line("a"), line("b")])
    then = store.pending()
    store.judge(line("b", State.KEPT, at_ms=8))
    store.followed(then)

    assert [each.text for each in store.pending()] == ["b"]


def test_new_lines_are_looked_at_again_when_gibberish_becomes_welcome(store: LineStore) -> None:
    store.add([line("a"), line("b"), line("c")])
    store.judge(line("b", State.STRUCK))
    store.followed(store.pending())
    store.reopen_new()

    assert [each.text for each in store.pending()] == ["a", "c"]


def test_a_pool_has_a_bound_and_beyond_it_nothing_is_added(store: LineStore) -> None:
    store.add([line(f"line {number}") for number in range(POOL_MAX)])

    with pytest.raises(StoreRefused, match=f"a pool holds {POOL_MAX}"):
        store.add([line("one more"), line("elsewhere", behaviour="welcome")])

    assert len(store.every()) == POOL_MAX
