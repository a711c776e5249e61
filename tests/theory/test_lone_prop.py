"""Goal: a lone prop and a lone sensor answer the share of visitors that the theory of counters
says.

Method: the real arbiter on its virtual clock, motions by chance; 3 sigma from the sample's own
size, and the other law of the two must lie far outside, so that the test can tell them apart.
"""

from itertools import pairwise
from math import exp, sqrt

import pytest

from haunt.core.show import Behaviour
from haunt.study.chance import Chance
from tests.core.stage import prop, sensor, show
from tests.outside.registry import outside
from tests.theory.arrivals import lengths, poisson
from tests.theory.yard import START_MS, Seen, Yard

MOTIONS = 8_000
MEAN_MS, REST_MS = 4_000, 6_000
TAU_MS = MEAN_MS + REST_MS
NEVER_MS = 1 << 50


def lone(law: str, seed: int) -> tuple[Yard, float]:
    """One sensor, one prop, nobody waits; the board reports each end."""
    draw, variance = lengths(law, MEAN_MS, seed)
    act = Behaviour("rise", 20 * MEAN_MS, patience_ms=0)
    one = prop(behaviours=(act,), cooldown_ms=REST_MS)
    return Yard(show(one, sensor()), draw, REST_MS), variance


def share_of(seen: list[Seen]) -> float:
    return sum(each.fired for each in seen) / len(seen)


def sigma_of_renewals(load: float, variance: float, motions: int) -> float:
    """Deviation of starts / motions: a cycle is one start and the Poisson count that it turns away.

    Its mean is 1 + a and its variance a + lambda^2 Var(dead time); the share is its inverse.
    """
    mean, spread = 1 + load, load + variance * (load / TAU_MS) ** 2
    return sqrt(spread / (mean**3 * motions))


@pytest.mark.parametrize("load", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("law", ["constant", "uniform", "exponential"])
def test_a_cooldown_is_a_dead_time_that_nobody_extends_however_lengths_vary(
    law: str, load: float
) -> None:
    yard, variance = lone(law, seed=round(load * 10))
    seen = yard.run(poisson(round(100 * load) + len(law), TAU_MS / load, MOTIONS))

    share, sigma = share_of(seen), sigma_of_renewals(load, variance, MOTIONS)
    outside("dead-time/cooldown").saw((share - 1 / (1 + load)) / sigma)
    assert abs(share - exp(-load)) > 6 * sigma
    assert set(yard.reasons) == {"fired", "playing", "cooldown"}


def test_a_board_that_never_reports_makes_the_dead_time_half_a_second_longer() -> None:
    """A second of play and one of rest, a motion every two seconds."""
    act = Behaviour("rise", 1_000, patience_ms=0)
    yard = Yard(show(prop(behaviours=(act,), cooldown_ms=1_000), sensor()))
    share = share_of(yard.run(poisson(12, 2_000, MOTIONS)))

    sigma = sigma_of_renewals(1.25, 0, MOTIONS)
    outside("dead-time/cooldown").saw((share - 1 / 2.25) / sigma)
    assert abs(share - 1 / 2) > 6 * sigma


@pytest.mark.parametrize("load", [0.5, 1.0, 3.0])
def test_block_time_is_a_dead_time_that_nobody_extends(load: float) -> None:
    yard = sensor_alone(block_ms=TAU_MS)
    share = share_of(yard.run(poisson(13, TAU_MS / load, MOTIONS)))

    sigma = sigma_of_renewals(load, 0, MOTIONS)
    outside("dead-time/block-time").saw((share - 1 / (1 + load)) / sigma)
    assert abs(share - exp(-load)) > 6 * sigma
    assert set(yard.reasons) == {"fired", "block-time"}


@pytest.mark.parametrize("load", [0.5, 1.0, 3.0])
def test_a_lull_that_every_motion_begins_anew_is_a_dead_time_that_all_extend(load: float) -> None:
    """Gaps of a Poisson stream do not know of each other, so the taken ones are a binomial."""
    yard = sensor_alone(lull_ms=TAU_MS, lull_max_ms=NEVER_MS)
    share = share_of(yard.run(poisson(14, TAU_MS / load, MOTIONS)))

    sigma = sqrt(exp(-load) * (1 - exp(-load)) / MOTIONS)
    outside("dead-time/lull").saw((share - exp(-load)) / sigma)
    assert abs(share - 1 / (1 + load)) > 6 * sigma
    assert set(yard.reasons) == {"fired", "lingering"}


@pytest.mark.parametrize(("load", "longest"), [(1.0, 2.0), (3.0, 4.5), (6.0, 4.5), (3.0, 0.8)])
def test_a_steady_crowd_is_answered_as_often_as_the_longest_lull_says(
    load: float, longest: float
) -> None:
    """Loads and the longest lull in lulls. Cycles do not know of each other: sigma from them."""
    yard = sensor_alone(lull_ms=TAU_MS, lull_max_ms=round(longest * TAU_MS))
    cycles = cycles_of(yard.run(poisson(15, TAU_MS / load, 2 * MOTIONS)))

    expected = motions_a_start(load, longest)
    sigma = sqrt(sum((each - expected) ** 2 for each in cycles)) / len(cycles)
    assert sum(cycles) / len(cycles) == pytest.approx(expected, abs=3 * sigma)
    assert abs(exp(load) - expected) > 6 * sigma


def motions_a_start(load: float, longest: float, steps: int = 2_000) -> float:
    """Motions from one taken to the next, by the integral equation of the lull, time in lulls.

    S(t), the chance that no motion after a full lull has come by t: S(t) = exp(-a t) + the integral
    of a exp(-a u) S(t - u) over u from 0 to min(t, 1), as only a shorter gap goes on. The start
    comes at the first of that and the longest lull, after which the next motion is taken.
    """
    wide = longest / steps
    within = [load * exp(-load * index * wide) for index in range(round(1 / wide) + 1)]
    still = [1.0]
    for step in range(1, steps + 1):
        last = min(step, len(within) - 1)
        middle = sum(within[index] * still[step - index] for index in range(1, last))
        edge = within[last] * still[step - last] / 2 if last else 0.0
        known = exp(-load * step * wide) + wide * (middle + edge)
        still.append(known / (1 - wide * within[0] / 2))
    lasts = wide * (sum(still) - (still[0] + still[-1]) / 2)
    return load * lasts + still[-1]


def test_the_integral_agrees_where_the_answer_is_known() -> None:
    """Without end it is the extending law, within one lull the other one."""
    assert motions_a_start(1.0, 40.0) == pytest.approx(exp(1), rel=2e-3)
    assert motions_a_start(3.0, 1.0) == pytest.approx(4.0, rel=1e-3)


def test_the_visitors_of_a_rehearsal_come_by_chance_like_those_from_outside() -> None:
    yard, _ = lone("constant", 1)
    chance, at = Chance(5, "groups"), float(START_MS)
    motions = []
    for _ in range(MOTIONS):
        at += chance.exponential(TAU_MS)
        motions.append((int(at), "pir"))

    sigma = sigma_of_renewals(1.0, 0, MOTIONS)
    assert share_of(yard.run(motions)) == pytest.approx(1 / 2, abs=3 * sigma)


def sensor_alone(block_ms: int = 0, lull_ms: int | None = None, lull_max_ms: int = 0) -> Yard:
    """A prop that is free again long before its sensor is."""
    act = Behaviour("blink", 1, patience_ms=0)
    pir = sensor(block_ms=block_ms, lull_ms=lull_ms, lull_max_ms=lull_max_ms)
    return Yard(show(prop(behaviours=(act,), cooldown_ms=0), pir), lambda: 1)


def cycles_of(seen: list[Seen]) -> list[int]:
    """Motions from each taken one to the next."""
    taken = [index for index, each in enumerate(seen) if each.fired]
    return [after - before for before, after in pairwise(taken)]
