"""Goal: how many groups passed is told with a range that holds the truth, or not told.

Method: drawn evenings whose groups are known, at rates below and far above what a sensor can count;
the drawing is not the project's own chance. Formulas are those of counters with dead time (Ahmed,
Physics and Engineering of Radiation Detection, eq. 3.6.5; the extending one: Mathematics Stack
Exchange 4590225), which tests/workshop holds against print.
"""

from math import exp, sqrt
from random import Random  # noqa: TID251 - an outside check needs chance from outside

import pytest

from haunt.core.events import Motion
from haunt.core.show import Link, SensorSpec
from haunt.study.passers import SLICE_MS, blocked, crowd, estimate
from haunt.study.visits import APART_MS
from tests.core.stage import prop, sensor, show

HOUR_MS = 3_600_000
HOURS = 3
EVENINGS = 120
MAT = SensorSpec("mat", "b1", kind="mat", links=(Link("gate"),))


def evening(
    chance: Random, per_hour: float, stay_ms: int = 6000, hours: int = HOURS
) -> tuple[list[int], list[int]]:
    """Return when groups came, and the motions: one at once, then every 1.5 s while they stay."""
    came: list[int] = []
    motions: list[int] = []
    at = 0.0
    while (at := at + chance.expovariate(per_hour / HOUR_MS)) < hours * HOUR_MS:
        came.append(int(at))
        stays = chance.randint(0, stay_ms)
        motions += range(int(at), min(int(at) + stays + 1, hours * HOUR_MS), 1500)
    return came, sorted(motions)


@pytest.mark.parametrize("per_hour", [10, 60, 150, 300])
def test_nineteen_ranges_of_twenty_hold_how_many_came(per_hour: int) -> None:
    """Three sigma of 120 evenings are 6 points; the range is a normal one, and a little wide."""
    chance, held, ratio = Random(per_hour), 0, 0.0
    for _ in range(EVENINGS):
        came, motions = evening(chance, per_hour)
        groups = estimate(MAT, motions, 0, HOURS * HOUR_MS).groups
        assert groups is not None
        held += groups.low <= len(came) <= groups.high
        ratio += groups.at / max(1, len(came)) / EVENINGS
    assert held / EVENINGS >= 0.95 - 3 * sqrt(0.95 * 0.05 / EVENINGS)
    assert ratio == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("per_hour", [60, 300])
def test_the_rate_of_a_half_hour_holds_the_truth_as_often(per_hour: int) -> None:
    chance, held, count = Random(per_hour + 1), 0, 0
    for _ in range(40):
        for each in estimate(MAT, evening(chance, per_hour)[1], 0, HOURS * HOUR_MS).slices:
            assert each.rate is not None
            held += each.rate.low <= per_hour <= each.rate.high
            count += 1
    assert held / count == pytest.approx(0.95, abs=3 * sqrt(0.95 * 0.05 / count))


def test_what_is_counted_falls_as_the_extending_counter_says() -> None:
    """m = n exp(-n tau), tau the fold and the mean stay; three sigma and two per cent."""
    chance = Random(9)
    for per_hour in (60, 200, 400):
        tau_h = (APART_MS + 2250) / HOUR_MS  # stays of 0 to 6 s, motions every 1.5 s: mean 2.25 s
        hours = 60
        counted = estimate(
            MAT, evening(chance, per_hour, 6000, hours)[1], 0, hours * HOUR_MS
        ).counted
        expected = hours * per_hour * exp(-per_hour * tau_h)
        assert counted == pytest.approx(expected, abs=3 * sqrt(expected) + 0.02 * expected)


def test_one_count_fits_two_rates_and_the_clear_time_tells_which() -> None:
    chance = Random(3)
    few = estimate(MAT, evening(chance, 80, 0)[1], 0, HOURS * HOUR_MS)
    many = estimate(MAT, evening(chance, 900, 0)[1], 0, HOURS * HOUR_MS)

    for found, per_hour, which in ((few, 80, 0), (many, 900, 1)):
        for each in found.slices:
            assert len(each.fits) == 2
            assert each.told
            assert each.rate is not None
            assert each.fits[which].low <= each.rate.high
            assert each.rate.low <= each.fits[which].high
            other = each.fits[1 - which]
            assert other.high < each.rate.low or each.rate.high < other.low
        assert found.untold == ()
        assert found.slices[0].fits[which].at == pytest.approx(per_hour, rel=0.4)


def test_near_the_most_that_it_can_count_it_cannot_be_told() -> None:
    """At one group a dead time the two rates meet: either fits, and it says so."""
    chance = Random(4)
    found = estimate(MAT, evening(chance, 360, 0)[1], 0, HOURS * HOUR_MS)

    assert len(found.untold) >= 2
    for each in found.untold:
        assert each.rate is not None
        assert each.rate.low <= 360 <= each.rate.high


def test_where_somebody_is_always_there_nothing_is_told() -> None:
    found = estimate(MAT, range(0, HOUR_MS, 5000), 0, HOUR_MS)

    assert (found.counted, found.groups) == (1, None)
    assert all(each.rate is None and not each.told for each in found.slices)


def test_a_block_time_longer_than_the_fold_is_a_counter_that_nobody_extends() -> None:
    """n = m / (1 - m tau): the ready time is known from the count, and there is one answer."""
    spec = SensorSpec("beam", "b1", block_ms=40_000, links=(Link("gate"),))
    chance, held = Random(5), 0
    for _ in range(EVENINGS):
        came, motions = evening(chance, 120, 0)
        found = estimate(spec, motions, 0, HOURS * HOUR_MS)
        assert found.groups is not None
        held += found.groups.low <= len(came) <= found.groups.high
        assert not found.extends
        assert all(len(each.fits) == 1 for each in found.slices if each.counted)
    assert held / EVENINGS >= 0.95 - 3 * sqrt(0.95 * 0.05 / EVENINGS)


def test_blocked_takes_one_and_none_until_the_time_is_over() -> None:
    found = blocked([0, 500, 999, 1000, 1001, 2600], 1000)
    assert [(each.first_ms, each.motions) for each in found] == [(0, 3), (1000, 2), (2600, 1)]


def test_a_group_over_the_edge_of_a_half_hour_is_counted_where_it_began() -> None:
    edge = SLICE_MS
    found = estimate(MAT, [edge - 1000, edge, edge + 1000], 0, 2 * edge)

    assert [each.counted for each in found.slices] == [1, 0]
    assert [each.lasts_ms - each.clear_ms for each in found.slices] == [1000, 1000 + APART_MS]


def test_nobody_is_nobody() -> None:
    found = estimate(MAT, [], 0, HOUR_MS)
    assert found.groups is not None
    assert (found.counted, found.groups.at, found.groups.high) == (0, 0, 0)


def test_the_sensor_that_saw_most_speaks_and_a_greeter_counts_people() -> None:
    of = show(
        prop(),
        sensor("gate-pir"),
        sensor("late-pir"),
        sensor("greeter", links=(), kind="button", action="count"),
        sensor("idle", links=()),
    )
    minutes = {"gate-pir": (1, 5, 9), "late-pir": (2,), "greeter": (1, 1.1, 5), "idle": (3,)}
    motions = [
        Motion(round(at * 60_000), 0, "b1", name, "b00", seq, 0)
        for number, (name, times) in enumerate(minutes.items())
        for seq, at in enumerate(times, 10 * number)
    ]
    found = crowd([*motions, *motions], of, 0, HOUR_MS)

    assert {each.sensor: each.counted for each in found.estimates} == {"gate-pir": 3, "late-pir": 1}
    assert found.best is not None
    assert (found.best.sensor, found.people) == ("gate-pir", 3)
    assert crowd([], of, 0, HOUR_MS).best is None
