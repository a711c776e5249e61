"""Goal: laws that hold for every show and night, however odd: nothing lost, doubled or late.

Method: Hypothesis draws shows and nights; each call is checked on the whole state, and the kept
calls are played again in other ways. HAUNT_LONG draws many more.
"""

import os
from collections import Counter

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Effect, Outcome, SendCue, TellStop
from haunt.core.events import Event, Motion, Started, Woke
from haunt.core.show import Show
from tests.core.ledger import Ledger
from tests.core.random_nights import (
    Call,
    Player,
    Step,
    calm_nights,
    made,
    nights,
    reloaded,
    shows,
)

EXAMPLES = 6000 if os.environ.get("HAUNT_LONG") else 150
LONG_ENOUGH_MS = 5000 + 8000 + 1

nightly = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


def again(
    show: Show, calls: list[Call], reload_before: frozenset[int] = frozenset()
) -> list[Effect]:
    """Play the same calls on a fresh arbiter, going through a snapshot before some of them."""
    arbiter, effects = Arbiter(show), []
    for number, call in enumerate(calls):
        if number in reload_before:
            arbiter = reloaded(arbiter)
        arbiter, more = made(arbiter, call)
        effects += more
    return effects


@nightly
@given(shows, shows, nights)
def test_every_motion_and_link_gets_exactly_one_decision(
    show: Show, other: Show, night: list[Step]
) -> None:
    player = Player(show, other).play(night)
    player.wait(LONG_ENOUGH_MS)
    state = player.arbiter.night
    decided = [
        each for each in player.effects if isinstance(each, Decision) and each.motion is not None
    ]

    assert state.items == {}
    assert state.owed == state.fired + state.refused + state.lapsed == len(decided)
    assert max(Counter((each.motion, each.prop) for each in decided).values(), default=1) == 1
    arrived = {
        (call.event.board, call.event.boot, call.event.seq)
        for call in player.calls
        if isinstance(call.event, Motion)
    }
    assert {tuple(each.motion or ()) for each in decided} <= arrived


@nightly
@given(shows, shows, nights)
def test_nobody_waits_beyond_the_longest_patience(
    show: Show, other: Show, night: list[Step]
) -> None:
    player = Player(show, other).play(night)
    player.wait(LONG_ENOUGH_MS)
    longest = {
        prop: max(
            b.patience_ms
            for each in (show, other)
            for p in each.props
            if p.id == prop
            for b in p.behaviours
        )
        for prop in {p.id for p in (*show.props, *other.props)}
    }

    for each in player.effects:
        if isinstance(each, Decision) and each.outcome is not Outcome.REFUSED:
            if each.reason == "restart":
                assert each.waited_ms > 0
            elif each.prop is not None:
                assert each.waited_ms <= longest[each.prop]
            if each.source != "motion":
                assert each.waited_ms == 0


@nightly
@given(shows, shows, nights)
def test_nothing_is_cued_while_stopped_and_every_cue_has_the_epoch_last_told(
    show: Show, other: Show, night: list[Step]
) -> None:
    player = Player(show, other).play(night)
    stopped, epoch = False, 0
    for effect in player.effects:
        if isinstance(effect, TellStop):
            assert effect.epoch > epoch
            stopped, epoch = effect.stopped, effect.epoch
        elif isinstance(effect, SendCue):
            assert not stopped
            assert effect.epoch == epoch


@nightly
@given(shows, shows, nights)
def test_the_same_calls_give_the_same_effects(show: Show, other: Show, night: list[Step]) -> None:
    player = Player(show, other).play(night)

    assert again(show, player.calls) == player.effects


@nightly
@given(shows, shows, nights, st.frozensets(st.integers(0, 300), max_size=4))
def test_going_through_a_snapshot_changes_no_later_decision(
    show: Show, other: Show, night: list[Step], where: frozenset[int]
) -> None:
    player = Player(show, other).play(night)

    assert again(show, player.calls, where) == player.effects


@nightly
@given(shows, shows, nights, st.lists(st.integers(0, 1000), min_size=1, max_size=90))
def test_looking_more_often_changes_no_decision(
    show: Show, other: Show, night: list[Step], permille: list[int]
) -> None:
    player = Player(show, other).play(night)
    arbiter, effects, last = Arbiter(show), list[Effect](), player.calls[0].mono_ms
    for number, call in enumerate(player.calls):
        if not isinstance(call.event, Started | Woke):  # nobody looks while the program is down
            share = permille[number % len(permille)]
            effects += arbiter.advance(last + (call.mono_ms - last) * share // 1000)
        arbiter, more = made(arbiter, call)
        effects += more
        last = call.mono_ms

    assert effects == player.effects


@nightly
@given(shows, calm_nights)
def test_on_the_ledger_no_rest_gap_cap_or_limit_was_ever_broken(
    show: Show, night: list[Step]
) -> None:
    player = Player(show, show).play(night)
    arbiter, ledger = Arbiter(show), Ledger(show)
    for call in player.calls:
        resumes = isinstance(call.event, Started | Woke)
        timers = [] if resumes else arbiter.advance(call.mono_ms)
        if call.event is not None:
            ledger.note(call.event, timers, arbiter.handle(call.event))
        else:
            ledger.note(Event(call.mono_ms, 0), timers, [])

    assert ledger.faults == []
