"""Goal: props that share one stagger group lose visitors as Erlang B says, whatever their lengths.

Method: one sensor linked to every prop, a stagger gap of 1 ms and no patience: each motion starts
one free prop and `stagger` bars the others at that very instant, so the group is a loss system with
a server a prop. Sigma by regeneration: a motion that finds all free begins the night anew. The law
itself is compared with a library by somebody else, with exact fractions and with printed tables.
"""

from decimal import localcontext
from fractions import Fraction
from itertools import pairwise
from math import comb, factorial, sqrt

import pytest

from haunt.core.show import Behaviour, Link, LoadSpec, Show
from haunt.workshop.deadtime import blocked_share
from tests.core.stage import prop, sensor, show
from tests.outside.registry import outside
from tests.theory.arrivals import crowds, lengths, poisson
from tests.theory.yard import START_MS, Seen, Yard

with localcontext():  # the library sets the precision of the whole thread when it is imported
    from erlanglib import erlang_b  # type: ignore[import-untyped]

MOTIONS = 6_000
MEAN_MS, REST_MS = 4_000, 6_000
TAU_MS = MEAN_MS + REST_MS
LOADS = (0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 5.0)


def group(props: int, gap_ms: int) -> Show:
    names = [f"p{index}" for index in range(props)]
    act = Behaviour("rise", 20 * MEAN_MS, patience_ms=0)
    things = [
        prop(
            name,
            behaviours=(act,),
            cooldown_ms=REST_MS,
            neighbours=tuple(each for each in names if each != name),
        )
        for name in names
    ]
    return show(*things, sensor(links=tuple(Link(each) for each in names)), gap_ms=gap_ms)


def blocked_and_sigma(seen: list[Seen], expected: float) -> tuple[float, float]:
    """Share not answered, and its deviation: sums over cycles, none of which knows of another.

    Motions before the first and after the last that finds all free belong to no whole cycle.
    """
    begins = [index for index, each in enumerate(seen) if each.all_free]
    spread = 0.0
    for begin, end in pairwise(begins):
        lost = sum(1 for each in seen[begin:end] if not each.fired)
        spread += (lost - expected * (end - begin)) ** 2
    whole = seen[begins[0] : begins[-1]]
    lost = sum(1 for each in whole if not each.fired)
    return lost / len(whole), sqrt(spread) / len(whole)


@pytest.mark.parametrize(("props", "load"), [(2, 1.0), (3, 2.0), (5, 3.0)])
@pytest.mark.parametrize("law", ["constant", "uniform", "exponential"])
def test_a_group_loses_visitors_as_erlang_b_says_however_lengths_vary(
    law: str, props: int, load: float
) -> None:
    draw, _ = lengths(law, MEAN_MS, seed=props)
    yard = Yard(group(props, gap_ms=1), draw, REST_MS)
    seen = yard.run(poisson(100 * props + len(law), TAU_MS / load, MOTIONS))

    expected = erlang_b(props, load)
    blocked, sigma = blocked_and_sigma(seen, expected)
    outside("erlang-b/group").saw((blocked - expected) / sigma)
    assert sigma < expected / 10  # else the bound would hold for other laws too
    assert max(each.fired for each in seen) == 1
    assert set(yard.reasons) == {"fired", "playing", "cooldown", "stagger"}


def test_a_gap_longer_than_the_dead_time_makes_a_group_one_server() -> None:
    """Nobody extends it: a group of any size answers once a gap, 1 / (1 + lambda gap)."""
    yard = Yard(group(4, gap_ms=2 * TAU_MS), lambda: MEAN_MS, 0)
    seen = yard.run(poisson(22, TAU_MS, MOTIONS))

    answered = sum(each.fired for each in seen)
    sigma = sqrt(2 / (3**3 * MOTIONS))  # as for a lone prop, with two motions a gap
    outside("dead-time/cooldown").saw((answered / MOTIONS - 1 / 3) / sigma)
    assert max(yard.starts.values()) - min(yard.starts.values()) <= 1  # and each has its turn


@pytest.mark.parametrize("law", ["constant", "exponential"])
def test_props_on_a_small_supply_lose_visitors_as_engset_says(law: str) -> None:
    """Six props, each with its own visitors, and current for two at once.

    The number that plays has weights C(6, n) a^n, cut at 2, whatever the lengths; a motion is
    answered where its prop and the supply are free.
    """
    props, most, load = 6, 2, 0.25
    draw, _ = lengths(law, MEAN_MS, seed=3)
    act = Behaviour("rise", 20 * MEAN_MS, patience_ms=0, draws=((0, 100),))
    names = [f"p{index}" for index in range(props)]
    things = [prop(name, behaviours=(act,), cooldown_ms=0) for name in names]
    sensors = [sensor("s-" + name, name) for name in names]
    supply = LoadSpec("supply", "bench", 100 * most)
    yard = Yard(show(*things, *sensors, loads=(supply,)), draw, 0)
    until = START_MS + round(MEAN_MS / load * MOTIONS / props)
    seen = yard.run(crowds(23, MEAN_MS / load, until, [each.id for each in sensors]))

    weights = [comb(props, busy) * load**busy for busy in range(most + 1)]
    answered = sum(w * (props - busy) / props for busy, w in enumerate(weights[:most]))
    expected = 1 - answered / sum(weights)
    blocked, sigma = blocked_and_sigma(seen, expected)
    outside("engset/supply").saw((blocked - expected) / sigma)
    assert sigma < expected / 10
    assert set(yard.reasons) == {"fired", "playing", "supply"}


@pytest.mark.parametrize("load", LOADS)
def test_the_recursion_agrees_with_a_library_and_with_exact_fractions(load: float) -> None:
    exact_load = Fraction(load)
    for props in range(1, 21):
        terms = [exact_load**busy / factorial(busy) for busy in range(props + 1)]
        exact = float(terms[-1] / sum(terms))
        assert blocked_share(props, load) == pytest.approx(exact, rel=1e-12)
        outside("erlang-b/library").saw(blocked_share(props, load), erlang_b(props, load))
