"""Goal: a sensor that overlooks people is found out by those before it and after it.

Method: groups drawn along a path of four sensors, one of which sees a known share of them.
"""

from math import sqrt
from random import Random  # noqa: TID251 - an outside check needs chance from outside

import pytest

from haunt.study.visits import Visit
from haunt.study.walks import walks

STOPS = [("gate", 0.0), ("bend", 8.0), ("well", 15.0), ("porch", 26.0)]
HOURS = 4


def drawn(seed: int, per_hour: float, sees: list[float]) -> tuple[list[list[Visit]], int]:
    """Each group keeps its pace, between 0.6 and 1.1 m/s, and stays up to 4 s at each sensor."""
    chance = Random(seed)
    seen: list[list[Visit]] = [[] for _ in STOPS]
    at, count = 0.0, 0
    while (at := at + chance.expovariate(per_hour / 3_600_000)) < HOURS * 3_600_000:
        count += 1
        pace, here = chance.uniform(0.6, 1.1), at
        for n, (_, metres) in enumerate(STOPS):
            if n:
                here += (metres - STOPS[n - 1][1]) / pace * 1000
            stays = chance.randint(0, 4000)
            if chance.random() < sees[n]:
                seen[n].append(Visit(round(here), round(here) + stays, 1))
            here += stays
    return [sorted(each) for each in seen], count


@pytest.mark.parametrize("share", [1.0, 0.8, 0.5])
@pytest.mark.parametrize("per_hour", [20, 90])
def test_the_share_that_a_sensor_sees_is_found(share: float, per_hour: float) -> None:
    """Three sigma of the groups, and five points for groups taken for each other."""
    seen, count = drawn(7, per_hour, [1, share, 1, 1])
    stop = walks(STOPS, seen).stops[1]

    assert stop.share is not None
    sigma = sqrt(share * (1 - share) / stop.between)
    assert stop.share == pytest.approx(share, abs=3 * sigma + 0.05)
    assert stop.between == pytest.approx(count, rel=0.05)


def test_groups_on_an_empty_path_are_followed_from_gate_to_porch() -> None:
    seen, count = drawn(1, 10, [1, 1, 1, 1])
    found = walks(STOPS, seen)

    assert found.groups == pytest.approx(count, abs=1)
    assert found.once <= 1
    assert [each.counted for each in found.stops] == [count] * 4


def test_a_sighting_that_nobody_could_have_walked_to_is_another_group() -> None:
    seen = [[Visit(0, 0, 1)], [Visit(1000, 1000, 1)], [], []]
    found = walks(STOPS, seen)

    assert (found.groups, found.once) == (0, 2)
    assert found.stops[1].share is None


def test_two_groups_are_not_taken_for_one() -> None:
    seen = [
        [Visit(0, 1000, 1), Visit(20_000, 21_000, 1)],
        [Visit(10_000, 11_000, 1), Visit(30_000, 31_000, 1)],
        [],
        [],
    ]
    assert walks(STOPS, seen).groups == 2
