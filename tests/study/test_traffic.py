"""Goal: drawn visitors come, walk and stand together as the named sources say.

Method: many draws held against printed means and spreads, three sigma of the draws; counts of a
street against the figures as published.
"""

from math import sqrt
from statistics import fmean, pstdev

import pytest

from haunt.study.chance import Chance
from haunt.study.traffic import (
    FLAT,
    INVENTED,
    PROFILES,
    SIZES,
    SPEED_M_S,
    STREET,
    STREET_COUNTS,
    Habits,
    arrivals,
    recorded,
    speed_m_s,
)
from tests.outside.registry import outside

HOUR_MS = 3_600_000
DRAWS = 4000


def minute(at_ms: int) -> int:
    return at_ms // 60_000 % 1440


def test_people_walk_as_weidmann_measured() -> None:
    chance = Chance(1, "pace")
    drawn = [speed_m_s(1.34, chance) for _ in range(DRAWS)]

    mean, spread = outside("pace/mean").value, outside("pace/spread").value
    outside("pace/drawn").saw((fmean(drawn) - mean) / (spread / sqrt(DRAWS)))
    outside("pace/drawn").saw((pstdev(drawn) - spread) / (spread / sqrt(2 * DRAWS)))


def test_the_slow_are_as_slow_as_the_old_and_those_with_children() -> None:
    chance = Chance(2, "pace")
    drawn = sorted(speed_m_s(SPEED_M_S, chance) for _ in range(DRAWS))
    outside("pace/slow-least").saw(drawn[round(0.15 * DRAWS)])
    outside("pace/slow-most").saw(drawn[round(0.15 * DRAWS)])


def test_in_the_dark_the_mean_is_the_shows_own_and_nobody_stands_still() -> None:
    chance = Chance(3, "pace")
    drawn = [speed_m_s(0.7, chance) for _ in range(DRAWS)]

    assert fmean(drawn) == pytest.approx(0.7, rel=0.02)
    assert 0.35 * 0.7 <= min(drawn) < max(drawn) <= 1.8 * 0.7


def test_groups_are_as_large_as_the_table_says() -> None:
    chance = Chance(4, "sizes")
    drawn = [Habits().people(chance) for _ in range(DRAWS)]
    for size, percent in enumerate(SIZES, 1):
        share = percent / 100
        off = 3 * sqrt(share * (1 - share) / DRAWS)
        assert drawn.count(size) / DRAWS == pytest.approx(share, abs=off)
    assert sum(SIZES) == 100


def test_so_many_come_as_were_asked_for_give_or_take_chance() -> None:
    """The number is a Poisson one: mean and variance alike, three sigma of 200 evenings."""
    counts = [
        len(arrivals(FLAT, 150, 0, 4 * HOUR_MS, minute, Chance(seed, "come")))
        for seed in range(200)
    ]
    outside("chance/poisson").saw((fmean(counts) - 150) / sqrt(150 / 200))
    outside("chance/poisson").saw((pstdev(counts) ** 2 / 150 - 1) / sqrt(2 / 200))


def test_they_come_when_the_profile_says() -> None:
    """Shares of the hours of a street, drawn 20,000 times: three sigma."""
    start = 17 * HOUR_MS
    drawn = arrivals(STREET, 20_000, start, start + 7 * HOUR_MS, minute, Chance(1, "street"))
    means = [fmean(year) for year in zip(*STREET_COUNTS.values(), strict=True)]
    for hour, mean in enumerate(means):
        share = mean / sum(means)
        here = sum(1 for at in drawn if (at - start) // HOUR_MS == hour) / len(drawn)
        assert here == pytest.approx(share, abs=3 * sqrt(share / len(drawn)))
    assert drawn == sorted(drawn)


def test_the_street_is_as_it_was_published() -> None:
    """Read from the package's hourly_counts.csv."""
    assert outside("arrivals/street").measured().off == 0
    assert set(STREET_COUNTS) == {2023, 2024, 2025}
    assert "CC BY 4.0" in STREET.source
    assert STREET.weight(17 * 60 + 30) == pytest.approx((770 + 855 + 724) / 3)


@pytest.mark.parametrize("profile", PROFILES.values(), ids=lambda each: each.id)
def test_every_profile_says_what_it_rests_on(profile: object) -> None:
    assert profile in (INVENTED, STREET, FLAT)
    assert len(getattr(profile, "source", "")) > 10
    assert "invented" in INVENTED.source


def test_the_peak_of_the_invented_evening_is_from_seven_to_a_quarter_past_eight() -> None:
    peak = max(INVENTED.weight(m) for m in range(1440))
    busy = [m for m in range(1440) if INVENTED.weight(m) > 0.8 * peak]
    assert (busy[0], busy[-1]) == (19 * 60, 20 * 60 + 14)


def test_own_nights_make_a_profile_of_half_hours() -> None:
    """Two nights; what comes after midnight goes on from it."""
    profile, groups = recorded([(23 * 60, 40.0), (20, 20.0), (23 * 60 + 10, 80.0)], 2)

    assert profile.steps == ((1380, 60.0), (1440, 10.0), (1470, 0.0))
    assert groups == 35.0
    assert (profile.weight(23 * 60 + 20), profile.weight(10), profile.weight(40)) == (60, 10, 0)
    assert profile.name == "Your last 2 nights"


def test_nobody_comes_where_nobody_is_expected() -> None:
    empty, groups = recorded([(18 * 60, 0.0)], 1)
    assert groups == 0
    assert arrivals(empty, 100, 0, HOUR_MS, minute, Chance(1, "x")) == []
    assert arrivals(FLAT, 100, HOUR_MS, HOUR_MS, minute, Chance(1, "x")) == []
