"""Goal: a sensor is called silent when luck does not explain it, and a pack's limits are its own.

Method: the sums against others' figures, then groups walked past five sensors by hand.
"""

from math import exp, lgamma

import pytest

from haunt.live.alerts.packs import ANY, limits_of
from haunt.live.alerts.silence import (
    ODDS_LEAST,
    STRENGTH,
    VISIT_GAP_MS,
    VISIT_MS_MAX,
    Path,
    odds_of_silence,
)
from haunt.workshop.pack import charge_percent

ORDER = ("s1", "s2", "s3", "s4", "s5")
GROUP_MS = 40_000


def walk(path: Path, groups: int, *, blind: str = "", start_ms: int = 0) -> int:
    """Let groups come by one after the other; return when the last was through."""
    for group in range(groups):
        for at, name in enumerate(ORDER):
            if name != blind:
                path.seen(name, start_ms + group * GROUP_MS + at * 5_000)
    return start_ms + groups * GROUP_MS


def silent(path: Path) -> list[str]:
    return [each.id for each in path.silent()]


@pytest.mark.parametrize(("hits", "misses", "run"), [(0, 0, 1), (50, 2, 5), (25, 25, 20)])
def test_the_odds_are_those_of_the_beta_binomial(hits: int, misses: int, run: int) -> None:
    # Outside value: B(a, b + run) / B(a, b) by the gamma function, within rounding.
    a, b = STRENGTH * 0.8 + hits, STRENGTH * 0.2 + misses
    expected = exp(lgamma(b + run) - lgamma(b) + lgamma(a + b) - lgamma(a + b + run))

    assert odds_of_silence(hits, misses, run, 0.8) == pytest.approx(expected, rel=1e-9)


def test_the_examples_in_the_explanation_hold() -> None:
    assert odds_of_silence(50, 2, 5, 0.95) < ODDS_LEAST < odds_of_silence(50, 2, 4, 0.95)
    runs = [run for run in range(40) if odds_of_silence(25, 25, run, 0.9) < ODDS_LEAST]
    assert 14 <= runs[0] <= 22


@pytest.mark.parametrize("blind", ORDER)
def test_a_sensor_that_saw_all_is_named_a_few_groups_after_it_goes_blind(blind: str) -> None:
    path = Path(ORDER)
    at_ms = walk(path, 40)
    assert silent(path) == []
    groups = 0
    while not silent(path):
        at_ms = walk(path, 1, blind=blind, start_ms=at_ms)
        groups += 1

    assert silent(path) == [blind]
    assert 3 <= groups <= 8


def test_a_sensor_that_never_saw_anything_is_named_by_what_the_others_see() -> None:
    path = Path(ORDER)
    at_ms = groups = 0
    while not silent(path):
        at_ms = walk(path, 1, blind="s3", start_ms=at_ms)
        groups += 1

    assert silent(path) == ["s3"]
    assert groups <= 16


def test_a_quiet_night_is_no_fault_however_long() -> None:
    path = Path(ORDER)
    walk(path, 20)
    path.seen("s1", 100 * 3_600_000)

    assert silent(path) == []


def test_a_sensor_that_sees_every_other_group_is_given_more_time() -> None:
    path = Path(ORDER)
    at_ms = 0
    for group in range(60):
        at_ms = walk(path, 1, blind="s3" if group % 2 else "", start_ms=at_ms)
        assert silent(path) == []


def test_it_sees_again_and_its_bad_hour_is_forgotten() -> None:
    path = Path(ORDER)
    at_ms = walk(path, 40)
    at_ms = walk(path, 30, blind="s3", start_ms=at_ms)
    assert silent(path) == ["s3"]
    at_ms = walk(path, 1, start_ms=at_ms)
    assert silent(path) == []

    groups = 0
    while not silent(path):
        at_ms = walk(path, 1, blind="s3", start_ms=at_ms)
        groups += 1
    assert groups <= 8


def test_a_neighbour_that_chatters_proves_nothing() -> None:
    path = Path(ORDER)
    walk(path, 40)
    for second in range(2000):
        path.seen("s2", 2_000_000 + second * 1000)

    assert silent(path) == []


def test_what_a_sensor_at_fault_reports_makes_no_neighbour_silent() -> None:
    # Seed 1358 of the bad boards: s2 chatters, s4 sees groups that turn round before s3.
    def evening(*, doubted: bool) -> list[str]:
        path, named = Path(ORDER), []
        at_ms = walk(path, 40)
        if doubted:
            path.doubt("s2")
        for second in range(0, 600, 5):
            path.seen("s2", at_ms + second * 1000)
            if second % 60 == 0:
                path.seen("s4", at_ms + second * 1000)
            named += silent(path)
        return named

    assert "s3" in evening(doubted=False)
    assert evening(doubted=True) == []


def test_a_sensor_that_is_believed_again_is_a_witness_again() -> None:
    path = Path(ORDER)
    at_ms = walk(path, 40)
    path.doubt("s2")
    at_ms = walk(path, 30, blind="s3", start_ms=at_ms)
    assert silent(path) == []
    path.believe("s2")
    walk(path, 10, blind="s3", start_ms=at_ms)

    assert silent(path) == ["s3"]


def test_what_was_silent_before_its_neighbour_went_bad_stays_so() -> None:
    path = Path(ORDER)
    walk(path, 20, blind="s3", start_ms=walk(path, 40))
    assert silent(path) == ["s3"]
    path.doubt("s2")

    assert silent(path) == ["s3"]


def test_one_group_is_one_visit_and_a_crowd_is_one_each_twenty_seconds() -> None:
    path = Path(ORDER)
    for ms in range(0, VISIT_MS_MAX, 1000):
        path.seen("s1", ms)
    assert path._spots["s1"].hits == 1
    path.seen("s1", VISIT_MS_MAX)
    path.seen("s1", VISIT_MS_MAX + VISIT_GAP_MS)
    assert path._spots["s1"].hits == 3


def test_two_sensors_are_no_path() -> None:
    path = Path(("s1", "s2"))
    for group in range(100):
        path.seen("s1", group * GROUP_MS)

    assert silent(path) == []


@pytest.mark.parametrize(
    ("chemistry", "series", "low_mv", "high_mv"),
    [
        # 0.6 x 3.000 V and 1.15 x 4.200 V a cell: data of workshop/pack.py
        ("lipo", 2, 3_600, 9_660),
        ("lead-acid", 6, 6_960, 14_490),
    ],
)
def test_a_packs_limits_follow_from_its_curve(
    chemistry: str, series: int, low_mv: int, high_mv: int
) -> None:
    found = limits_of(lambda _board, mv: charge_percent(chemistry, series, mv), "b1")

    assert found.low_mv == pytest.approx(low_mv, rel=0.02)
    assert found.high_mv == pytest.approx(high_mv, rel=0.01)


def test_where_the_curve_tells_nothing_the_limits_are_those_of_any_pack() -> None:
    assert limits_of(lambda _board, _mv: None, "b1") == ANY
    assert limits_of(lambda _board, mv: charge_percent("nimh", 6, mv), "b1") == ANY
