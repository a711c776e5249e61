"""Goal: dead time is what the theory of counters and of traffic says, forth and back.

Method: identities to 1e-12, printed values (tests/outside), and drawn nights: the range given for a
count must hold the truth nineteen times of twenty.
"""

from collections.abc import Callable
from math import e, exp, inf, nan, sqrt

import pytest

from haunt.study.chance import Chance
from haunt.workshop import deadtime
from haunt.workshop.runtime import starts_per_hour
from tests.outside.registry import family
from tests.outside.rows import Row

NIGHTS = 500
NIGHT_H = 3.0
TAU_S = 20.0


@pytest.mark.parametrize("load", [0.1, 0.5, 1, 2])
def test_who_finds_a_lone_prop_ready(load: float) -> None:
    """1 / (1 + n tau) is the loss of one server turned round, to the last digit."""
    share = deadtime.answered_share(load * 180, TAU_S)

    assert share == pytest.approx(1 - deadtime.blocked_share(1, load), rel=1e-12)
    assert share * load * 180 == pytest.approx(starts_per_hour(load * 180, TAU_S), rel=1e-12)


@pytest.mark.parametrize("row", [*family("dead-time"), *family("erlang-b"), *family("erlang-load")])
def test_dead_time_is_what_others_printed_and_drew(row: Row) -> None:
    if row.ours is not None:
        assert row.holds(row.measured().off), row.measured()


def test_a_lull_takes_most_at_one_group_a_lull() -> None:
    most = deadtime.most_rearmed_per_hour(TAU_S)

    assert most == pytest.approx(180 / e, rel=1e-12)
    assert most == pytest.approx(180 * deadtime.rearmed_share(180, TAU_S), rel=1e-12)
    for near in (179.0, 181.0):
        assert near * deadtime.rearmed_share(near, TAU_S) < most


@pytest.mark.parametrize("row", family("erlang-load"), ids=lambda row: row.id)
def test_a_load_for_a_share_blocked_leads_back_to_it(row: Row) -> None:
    ((props, blocked, _printed),) = row.table
    assert isinstance(props, int)
    assert isinstance(blocked, float)
    found = deadtime.load_for(props, blocked)

    assert deadtime.blocked_share(props, found) == pytest.approx(blocked, rel=1e-9)
    assert deadtime.props_for(found * 0.999, blocked) == props
    assert deadtime.props_for(found * 1.001, blocked) == props + 1


def test_no_load_is_never_blocked_and_no_props_always() -> None:
    assert deadtime.blocked_share(3, 0) == 0
    assert deadtime.blocked_share(0, 2) == 1
    assert deadtime.load_for(3, 0) == pytest.approx(0, abs=1e-12)
    assert deadtime.props_for(0, 0.5) == 1
    assert deadtime.props_for(7, 1) == 0


@pytest.mark.parametrize("groups", [0.5, 60.0, 180.0, 900.0])
def test_starts_are_counted_back_to_groups(groups: float) -> None:
    """m / (1 - m tau) undoes n / (1 + n tau); watched so long that the count is nearly the mean."""
    hours = 1e9
    starts = round(groups * deadtime.answered_share(groups, TAU_S) * hours)
    back = deadtime.groups_from_starts(starts, hours, TAU_S)

    assert back.at == pytest.approx(groups, rel=1e-6)
    assert (back.high - back.low) / back.at == pytest.approx(2 * 1.96 / sqrt(starts), rel=1e-3)


@pytest.mark.parametrize("groups", [6.0, 60.0, 180.0, 500.0])
def test_the_range_of_groups_holds_the_truth_nineteen_times_of_twenty(groups: float) -> None:
    right = 0
    for counts in nights(groups, extends=False):
        back = deadtime.groups_from_starts(counts, NIGHT_H, TAU_S)
        right += back.low <= groups <= back.high
    assert right / NIGHTS == pytest.approx(0.95, abs=3 * sqrt(0.95 * 0.05 / NIGHTS) + 0.01)


@pytest.mark.parametrize("groups", [6.0, 60.0, 90.0, 300.0, 500.0])
def test_one_of_two_ranges_past_a_lull_holds_the_truth_as_often(groups: float) -> None:
    right = 0
    for counts in nights(groups, extends=True):
        few, many = deadtime.groups_from_rearmed(counts, NIGHT_H, TAU_S)
        here = few if groups < 180 else many
        right += here.low <= groups <= here.high
    assert right / NIGHTS == pytest.approx(0.95, abs=3 * sqrt(0.95 * 0.05 / NIGHTS) + 0.01)


@pytest.mark.parametrize("groups", [18.0, 90.0, 170.0])
def test_a_count_past_a_lull_has_two_answers(groups: float) -> None:
    taken = round(groups * exp(-groups / 180) * 1e9)
    few, many = deadtime.groups_from_rearmed(taken, 1e9, TAU_S)

    assert few.at == pytest.approx(groups, rel=1e-5)
    assert many.at > 180
    assert many.at * exp(-many.at / 180) == pytest.approx(taken / 1e9, rel=1e-9)


def test_near_the_top_the_two_answers_cannot_be_told_apart() -> None:
    top = int(deadtime.most_rearmed_per_hour(TAU_S) * NIGHT_H)
    few, many = deadtime.groups_from_rearmed(top, NIGHT_H, TAU_S)

    assert few.high == many.low == pytest.approx(180)


def test_a_dead_time_not_well_known_widens_the_range_and_keeps_the_figure() -> None:
    sure = deadtime.groups_from_starts(300, NIGHT_H, TAU_S)
    vague = deadtime.groups_from_starts(300, NIGHT_H, TAU_S, 5.0)

    assert vague.at == sure.at
    assert vague.low < sure.low
    assert vague.high > 1.2 * sure.high


def test_no_starts_still_leave_a_most() -> None:
    back = deadtime.groups_from_starts(0, NIGHT_H, TAU_S)
    assert (back.at, back.low) == (0, 0)
    assert back.high * NIGHT_H == pytest.approx(1.96**2)


REFUSALS: list[tuple[Callable[[], object], str]] = [
    (lambda: deadtime.answered_share(-1, 10), "allowed: 0 and more"),
    (lambda: deadtime.answered_share(nan, 10), "allowed: 0 and more"),
    (lambda: deadtime.rearmed_share(10, inf), "allowed: 0 and more"),
    (lambda: deadtime.most_rearmed_per_hour(0), "allowed: more than 0"),
    (lambda: deadtime.blocked_share(-1, 1), "allowed: 0 to 1000, 0 E and more"),
    (lambda: deadtime.blocked_share(1, nan), "allowed: 0 to 1000, 0 E and more"),
    (lambda: deadtime.load_for(0, 0.1), "allowed: 1 to 1000, 0 to below 1"),
    (lambda: deadtime.load_for(3, 1.0), "allowed: 1 to 1000, 0 to below 1"),
    (lambda: deadtime.props_for(3, 0), "allowed: 0 to 500 E, above 0 to 1"),
    (lambda: deadtime.props_for(501, 0.1), "allowed: 0 to 500 E, above 0 to 1"),
    (lambda: deadtime.groups_from_starts(-1, 1, 10), "allowed: 0 and more"),
    (lambda: deadtime.groups_from_starts(5, 0, 10), "in more than 0 h"),
    (lambda: deadtime.groups_from_starts(5, 1, 10, 11), "allowed: 0 s to 10 s off"),
    (lambda: deadtime.groups_from_starts(180, 1, 20), "allowed: fewer than 180.0"),
    (lambda: deadtime.groups_from_starts(160, 1, 20, 5), "allowed: fewer than 144.0"),
    (lambda: deadtime.groups_from_rearmed(0, 1, 20), "allowed: 1 to 66.2"),
    (lambda: deadtime.groups_from_rearmed(67, 1, 20), "allowed: 1 to 66.2"),
    (lambda: deadtime.groups_from_rearmed(5, 1, 0), "allowed: more than 0"),
]


@pytest.mark.parametrize(("ask", "allowed"), REFUSALS)
def test_outside_its_range_it_refuses_and_says_what_is_allowed(
    ask: Callable[[], object], allowed: str
) -> None:
    with pytest.raises(ValueError, match=allowed):
        ask()


def nights(groups_per_hour: float, *, extends: bool) -> list[int]:
    """Counts of drawn nights, by the plainest loop there is, the evening before left out."""
    chance = Chance(7, f"nights {groups_per_hour}")
    return [one_night(chance, 3600 / groups_per_hour, extends=extends) for _ in range(NIGHTS)]


def one_night(chance: Chance, mean_s: float, *, extends: bool) -> int:
    at, free_at, count = 0.0, 0.0, 0
    while (at := at + chance.exponential(mean_s)) < NIGHT_H * 3600:
        taken = at >= free_at
        count += taken
        if taken or extends:
            free_at = at + TAU_S
    return count
