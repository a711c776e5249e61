"""Goal: the arbiter does what the rules say, decision for decision, whatever happens in a night.

Method: Hypothesis deals the same events to the arbiter and to a second, slow statement of the
rules, and every call must come out the same: who, outcome, reason, behaviour, wait and margin. The
long run is `python -m tests.model.long 100000 --seed N`.
"""

import os
from dataclasses import replace
from itertools import pairwise
from math import sqrt

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from haunt.core.decisions import Effect
from haunt.core.events import Event, Motion
from haunt.core.show import Behaviour
from tests.core.random_nights import STEPS_MS, WAITS_MS, Step
from tests.core.stage import Stage, prop, sensor, show
from tests.model.duel import LONG_MS, DisagreementError, Duel, duel_of, shortest, steps_of
from tests.model.shows import evening_of

EXAMPLES = 6000 if os.environ.get("HAUNT_LONG") else 100
number = st.integers(0, 9999)
PEOPLE = ("stop", "release", "hold", "unhold", "lock", "service", "mute", "phase", "doors")


class Sides(RuleBasedStateMachine):
    """Two nights side by side. The checks are inside `Duel`: every call raises if they differ."""

    duel: Duel

    @initialize(seed=st.integers(0, 2**32 - 1))
    def begin(self, seed: int) -> None:
        self.duel = duel_of(evening_of(seed))

    def step(self, kind: str, a: int = 0, b: int = 0, c: int = 0) -> None:
        self.duel.play([Step(kind, a, b, c)])

    @rule(a=number, b=number, c=number)
    def somebody_is_seen(self, a: int, b: int, c: int) -> None:
        self.step("motion", a, b, c)

    @rule(a=number, ms=st.integers(0, len(WAITS_MS) - 1), b=number)
    def somebody_is_seen_later(self, a: int, ms: int, b: int) -> None:
        self.step("quietly", ms)
        self.step("motion", a, b, 0)

    @rule(b=number, c=number, copies=st.integers(1, 3))
    def a_crowd_is_seen_everywhere(self, b: int, c: int, copies: int) -> None:
        for sensor_of in range(4 * copies):
            self.step("motion", sensor_of, b, c)

    @rule(ms=st.integers(0, len(WAITS_MS) - 1))
    def time_passes(self, ms: int) -> None:
        self.step("wait", ms)

    @rule(ms=st.integers(0, len(LONG_MS) - 1), a=number)
    def hours_pass(self, ms: int, a: int) -> None:
        self.step("long", ms)
        self.step("motion", a)

    @precondition(lambda self: any(p.play for p in self.duel.arbiter.night.props.values()))
    @rule(a=number, b=number, c=number)
    def a_board_reports(self, a: int, b: int, c: int) -> None:
        self.step("report", a, b, c)

    @rule(kind=st.sampled_from(("here", "gone", "health", "link")), a=number, b=number, c=number)
    def a_board_comes_or_goes(self, kind: str, a: int, b: int, c: int) -> None:
        self.step(kind, a, b, c)

    @rule(board=st.integers(0, 2), charge=st.integers(0, 4), times=st.integers(1, 6))
    def a_pack_is_read(self, board: int, charge: int, times: int) -> None:
        for _ in range(times):
            self.step("health", board, charge, 0)

    @rule(kind=st.sampled_from(PEOPLE), a=number, b=number, c=number)
    def a_person_orders(self, kind: str, a: int, b: int, c: int) -> None:
        self.step(kind, a, b, c)

    @rule(a=number)
    def everything_is_put_right(self, a: int) -> None:
        for kind in ("release", "link", "walk"):
            self.step(kind, 1 + a % 5)
        for board in range(3):
            self.step("here", board, 1, 1)
        for each in range(6):
            self.step("unhold", each, 1)
        self.step("wait", WAITS_MS.index(10_000))

    @rule(a=number, b=number, c=number)
    def somebody_fires_by_hand(self, a: int, b: int, c: int) -> None:
        self.step("hand", a, b, c)

    @rule(a=st.integers(0, len(STEPS_MS) - 1))
    def the_wall_clock_is_set(self, a: int) -> None:
        self.step("clock", a)

    @rule(kind=st.sampled_from(("restart", "woke", "change", "walk")), a=number, b=number, c=number)
    def something_rare_happens(self, kind: str, a: int, b: int, c: int) -> None:
        self.step(kind, a, b, c)


Sides.TestCase.settings = settings(
    max_examples=EXAMPLES,
    stateful_step_count=50,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
test_the_arbiter_and_the_rules_agree_whatever_is_dealt = Sides.TestCase


@pytest.mark.parametrize("first", [0, 1, 2, 3])
def test_they_agree_on_long_nights(first: int) -> None:
    """Of four kinds: anything goes, few orders, packs that run down, hours that pass."""
    fired = 0
    for seed in range(first, 60, 4):
        duel = duel_of(evening_of(seed))
        duel.play(steps_of(seed, 150))
        fired += duel.tally["motion fired"]

    assert fired > 40


class LateDuel(Duel):
    """Hands the model every motion a millisecond older than it was."""

    def _model_makes(self, event: Event | None, mono_ms: int) -> list[Effect]:
        if isinstance(event, Motion):
            event = replace(event, age_ms=event.age_ms + 1)
        return super()._model_makes(event, mono_ms)


def test_a_side_that_is_a_millisecond_off_is_noticed() -> None:
    evening = evening_of(4)

    with pytest.raises(DisagreementError, match="the model alone:\n  Decision"):
        LateDuel(evening.show, evening.other).play(steps_of(4, 150))


def test_a_night_is_cut_down_to_the_steps_that_matter() -> None:
    night = steps_of(1, 150)
    first, last = night[17], night[140]

    assert shortest(night, lambda steps: first in steps and last in steps) == [first, last]


def test_the_dice_keep_to_the_weights_among_those_that_are_not_the_last() -> None:
    """Four standard deviations either way; each row is what follows one behaviour."""
    weights = {"growl": 1, "howl": 2, "creak": 5}
    several = tuple(Behaviour(name, 500, weight=each) for name, each in weights.items())
    stage = Stage(show(prop(behaviours=several, cooldown_ms=0), sensor()))
    for _ in range(4000):
        stage.motion()
        stage.wait(1000)
    names = [each.behaviour for each in stage.cues]

    assert len(names) == 4000
    for last in weights:
        after = [b for a, b in pairwise(names) if a == last]
        others = {name: weight for name, weight in weights.items() if name != last}
        for name, weight in others.items():
            share = weight / sum(others.values())
            spread = 4 * sqrt(share * (1 - share) / len(after))
            assert abs(after.count(name) / len(after) - share) < spread
        assert last not in after
