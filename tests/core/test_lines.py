"""Goal: a prop says nothing twice before it has said all that it may say now, whatever happens.

Method: stages with pools of a few lines; cues are read, boards refuse, controllers restart, phases
and shows change. A property over drawn nights counts every line between two of its kind.
"""

from collections import Counter
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, TimeOfDay
from haunt.core.lines import may_say
from haunt.core.show import Behaviour, Line, Show
from tests.core.stage import Stage, prop, sensor, show

DAY = (TimeOfDay(0), TimeOfDay(0))
POOL = tuple(Line(name, f"line {name}") for name in "abcdef")


def talking(*pools: tuple[Line, ...], seed: int = 1, **more: CalendarSpec) -> Show:
    """Return a show of one prop with a behaviour a pool, which are taken in turn."""
    several = tuple(Behaviour(f"says{n}", 1000, lines=pool) for n, pool in enumerate(pools))
    return replace(show(prop(behaviours=several, cooldown_ms=0), sensor(), **more), seed=seed)


def gentle(intensity: int) -> CalendarSpec:
    return CalendarSpec(phases=(PhaseSpec("early", *DAY, max_intensity=intensity),))


def say(stage: Stage, times: int = 1) -> list[str | None]:
    """Let somebody come so many times, and return what was said."""
    before = len(stage.cues)
    for _ in range(times):
        stage.plays(ms=1000)
    return [each.line for each in stage.cues[before:]]


def test_no_line_comes_again_before_the_pool_is_used_up() -> None:
    stage = Stage(talking(POOL))

    rounds = [say(stage, 6) for _ in range(4)]

    assert [sorted(map(str, each)) for each in rounds] == [sorted(e.text for e in POOL)] * 4
    assert len({tuple(each) for each in rounds}) == 4, "each round has an order of its own"


def test_the_end_of_a_round_and_the_beginning_of_the_next_are_not_the_same_line() -> None:
    stage = Stage(talking(POOL[:2]))

    said = say(stage, 40)

    assert all(one != other for one, other in pairwise(said))


def test_a_single_line_is_said_each_time_and_no_line_is_none() -> None:
    assert say(Stage(talking(POOL[:1])), 3) == ["line a"] * 3
    assert say(Stage(talking(())), 2) == [None, None]


def test_the_seed_repeats_the_order_and_another_seed_has_another() -> None:
    first, again, other = (Stage(talking(POOL, seed=seed)) for seed in (1, 1, 2))

    said = say(first, 12)

    assert say(again, 12) == said
    assert say(other, 12) != said


def test_each_line_is_as_likely_to_be_the_first() -> None:
    first = Counter(say(Stage(talking(POOL, seed=seed)))[0] for seed in range(600))

    assert set(first) == {each.text for each in POOL}
    # 600 draws of 1 in 6: mean 100, standard deviation 9.1; four of those either way
    assert all(63 <= count <= 137 for count in first.values()), first


def test_behaviours_of_a_prop_share_what_was_said() -> None:
    stage = Stage(talking(POOL[:3], POOL[:3]))

    assert sorted(map(str, say(stage, 3))) == ["line a", "line b", "line c"]


def test_a_used_up_pool_leaves_what_another_behaviour_said() -> None:
    stage = Stage(talking(POOL[:1], POOL[1:]))

    said = say(stage, 10)

    assert said.count("line a") == 5, "the two take turns"
    assert sorted(map(str, (e for e in said if e != "line a"))) == [e.text for e in POOL[1:]]


def test_a_refused_cue_has_said_nothing() -> None:
    stage = Stage(talking(POOL[:3]))
    heard: list[str | None] = []
    for number in range(30):
        stage.motion()
        if number % 3:
            stage.finish(state="refused", why="late")
        else:
            heard.append(stage.cues[-1].line)
            stage.wait(1000)
            stage.finish()

    rounds = [sorted(map(str, heard[n : n + 3])) for n in range(0, 9, 3)]
    assert rounds == [["line a", "line b", "line c"]] * 3


@pytest.mark.parametrize("restarts", [False, True])
def test_a_refusal_takes_the_first_line_of_a_new_round_back(*, restarts: bool) -> None:
    for seed in range(12):
        stage = Stage(talking(POOL[:2], seed=seed))
        say(stage, 2)
        last = stage.cues[-1].line
        stage.motion()  # a new round begins with it
        if restarts:
            stage.reload()
        stage.finish(state="refused", why="late")

        assert say(stage, 1) != [last], "it is still the last one that was heard"


@pytest.mark.parametrize("restarts", [False, True])
def test_a_refusal_takes_a_line_of_the_round_back(*, restarts: bool) -> None:
    for seed in range(12):
        stage = Stage(talking(POOL[:3], seed=seed))
        stage.motion()
        if restarts:
            stage.reload()
        stage.finish(state="refused", why="late")

        assert sorted(map(str, say(stage, 3))) == ["line a", "line b", "line c"]


def test_a_restart_forgets_nothing() -> None:
    steady, restarted = Stage(talking(POOL)), Stage(talking(POOL))
    said = say(steady, 12)

    found: list[str | None] = []
    for _ in range(12):
        found += say(restarted)
        restarted.restart(100)
        restarted.do(events.BoardHere, "b1", "7f3a91c2d405", 3_600_000, "power-on")

    assert found == said


def test_a_snapshot_of_before_there_were_pools_is_read() -> None:
    stage = Stage(talking(POOL[:2]))
    stage.motion()
    memory = stage.arbiter.snapshot()
    for each in memory["props"].values():
        del each["said"], each["play"]["line"], each["play"]["said"]
    stage.arbiter = type(stage.arbiter)(stage.arbiter.night.show, stage.sunset, memory)
    stage.finish(state="refused", why="late")

    assert sorted(map(str, say(stage, 2))) == ["line a", "line b"]


def test_a_phase_says_only_lines_of_its_intensity() -> None:
    pool = tuple(Line(str(n), f"of {n}", n) for n in range(1, 6))

    assert set(say(Stage(talking(pool, calendar=gentle(2))), 6)) == {"of 1", "of 2"}
    assert set(say(Stage(talking(pool)), 6)) == {f"of {n}" for n in range(1, 6)}


def test_a_barred_word_is_kept_from_gentle_phases_only() -> None:
    pool = (Line("a", "who walks there"), Line("b", "I smell blood", barred=True))

    assert say(Stage(talking(pool, calendar=gentle(4))), 2) == ["who walks there"] * 2
    # 5 is the top of the scale: such a phase bars nothing
    assert set(say(Stage(talking(pool, calendar=gentle(5))), 2)) == {e.text for e in pool}


def test_gentle_by_hand_bars_both_while_it_lasts() -> None:
    pool = (Line("a", "hello"), Line("b", "blood", barred=True), Line("c", "now", 3))
    stage = Stage(talking(pool))
    stage.do(events.PhaseByHand, "gentle", 60_000)

    assert say(stage, 3) == ["hello"] * 3
    stage.wait(60_000)
    assert set(say(stage, 3)) == {"hello", "blood", "now"}


def test_where_a_phase_bars_every_line_the_prop_plays_without_one() -> None:
    stage = Stage(talking((Line("a", "now", 5),), calendar=gentle(1)))

    assert say(stage, 2) == [None, None]


def test_lines_that_a_phase_barred_are_not_lost_from_the_round() -> None:
    pool = (*POOL[:2], Line("x", "loud", 4))
    stage = Stage(talking(pool, seed=2))
    assert say(stage) != ["loud"], "else this seed shows nothing"
    stage.do(events.PhaseByHand, "gentle", 10_000)
    assert "loud" not in say(stage, 2)
    stage.do(events.PhaseByHand, None, 0)

    assert say(stage) == ["loud"], "it is the only one of the pool that is still to be said"


def test_a_new_show_keeps_what_was_said() -> None:
    stage = Stage(talking(POOL[:3]))
    said = say(stage, 2)
    stage.do(events.ShowChanged, talking(POOL[:4]))

    assert sorted(map(str, [*said, *say(stage, 2)])) == [each.text for each in POOL[:4]]


def test_a_line_that_is_gone_is_forgotten_when_the_pool_begins_again() -> None:
    stage = Stage(talking(POOL[:3]))
    say(stage, 3)
    stage.do(events.ShowChanged, talking(POOL[3:5]))
    say(stage, 3)

    assert set(stage.arbiter.night.props["gate"].said) <= {"d", "e"}


def test_a_prop_without_lines_remembers_none() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor()))
    stage.plays()

    assert stage.arbiter.night.props["gate"].said == []
    assert stage.cues[-1].line is None


@given(
    st.integers(1, 1 << 30),
    st.lists(st.tuples(st.integers(1, 5), st.booleans()), min_size=1, max_size=7),
    st.lists(st.sampled_from(["say", "refuse", "reload", "gentle", "full"]), max_size=60),
)
def test_between_two_of_a_line_all_that_may_be_said_was_said(
    seed: int, drawn: list[tuple[int, bool]], steps: list[str]
) -> None:
    pool = tuple(Line(str(n), str(n), i, barred) for n, (i, barred) in enumerate(drawn))
    stage, is_gentle, heard = Stage(talking(pool, seed=seed)), False, set[str]()
    for step in steps:
        if step in {"gentle", "full"}:
            is_gentle = step == "gentle"
            stage.do(events.PhaseByHand, "gentle" if is_gentle else None, 3_600_000)
        elif step == "reload":
            stage.reload()
        else:
            stage.motion()
            may = {each.id for each in pool if may_say(each, 2 if is_gentle else 1 << 40)}
            line = stage.cues[-1].line
            assert (line in may) if may else line is None
            if may:
                assert line not in heard or may <= heard, (line, heard, may)
            stage.wait(1000)
            stage.finish(state="finished" if step == "say" else "refused", why="late")
            if line is not None and step == "say":
                heard = (heard - may if may <= heard else heard) | {line}
