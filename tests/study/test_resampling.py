"""Goal: the range of a gain holds the true gain about as often as it says.

Method: evenings drawn again and again, each half hour's gain from a law whose mean is known; the
law is not the project's own chance.
"""

from math import sqrt
from random import Random  # noqa: TID251 - an outside check needs chance from outside

import pytest

from haunt.study.resampling import NIGHTS_ENOUGH, Resampler, _widening

TRUE = 0.9  # of the range: from 5 % to 95 %
EVENINGS = 200


def gains(chance: Random, count: int, mean: float) -> list[int]:
    """Groups more in each half hour: what comes less what went, both by chance."""
    return [poisson(chance, 1.4 * mean) - poisson(chance, 0.4 * mean) for _ in range(count)]


def poisson(chance: Random, mean: float) -> int:
    at, count = chance.expovariate(1.0), 0
    while at < mean:
        at, count = at + chance.expovariate(1.0), count + 1
    return count


@pytest.mark.parametrize(("nights", "halves"), [(1, 8), (3, 8), (8, 8)])
def test_nine_ranges_of_ten_hold_the_truth(nights: int, halves: int) -> None:
    """A plain bootstrap of eight half hours holds it 8 times of 10; so it is widened.

    Three sigma of 200 evenings are 6 points; what is left of the shortfall may be 3 more.
    """
    chance, mean, held = Random(17), 2.0, 0
    resampler = Resampler([halves] * nights, seed=5)
    for _ in range(EVENINGS):
        found = resampler.range([gains(chance, halves, mean) for _ in range(nights)])
        held += found.low <= nights * halves * mean <= found.high
    assert held / EVENINGS == pytest.approx(TRUE, abs=3 * sqrt(0.09 / EVENINGS) + 0.03)
    assert resampler.by_night == (nights >= NIGHTS_ENOUGH)


@pytest.mark.parametrize(
    ("blocks", "t"),
    # Student's t with 5 % above it, for n - 1: any printed table. To 2 %, beyond three blocks 1 %.
    [(4, 2.353), (6, 2.015), (8, 1.895), (11, 1.812), (21, 1.725), (41, 1.684)],
)
def test_the_range_is_widened_as_t_is_over_the_normal(blocks: int, t: float) -> None:
    exact = t / 1.6449 * sqrt(blocks / (blocks - 1))
    assert _widening(blocks) == pytest.approx(exact, rel=0.02 if blocks < 5 else 0.01)


def test_a_gain_that_is_the_same_in_every_half_hour_is_sure() -> None:
    found = Resampler([8], 1).range([[3] * 8])
    assert (found.at, found.low, found.high, found.sure) == (24, 24, 24, 1.0)


def test_one_half_hour_alone_is_never_sure() -> None:
    found = Resampler([1], 1).range([[30]])
    assert (found.at, found.sure) == (30, 0.0)


def test_a_gain_that_hangs_on_one_half_hour_of_eight_is_not_sure() -> None:
    """Drawn again, that half hour is missing in (7/8)^8 = 34 of a hundred evenings."""
    found = Resampler([8], 1).range([[9, 0, 0, 0, 0, 0, 0, 0]])
    assert found.sure == pytest.approx(1 - (7 / 8) ** 8, abs=0.05)


def test_gains_of_other_nights_are_refused() -> None:
    with pytest.raises(AssertionError, match="other nights"):
        Resampler([8, 8], 1).range([[1] * 8])
