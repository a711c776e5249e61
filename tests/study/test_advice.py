"""Goal: a recommendation is right where the truth is known, refuses where it should, breaks no
limit.

Method: a worked example on drawn evenings, whose truth a plain loop counts from the groups alone;
evenings on which a change is worth nothing; limits looked at again from outside.
"""

from dataclasses import replace

import pytest

from haunt.core import events
from haunt.core.show import Behaviour, BoardSpec, Link, PropSpec, SensorSpec, Show
from haunt.study.advice import (
    DEAR,
    MOTOR,
    NEIGHBOURS,
    NO_GAIN,
    OTHER_PACK,
    PACK,
    RESERVE_PERCENT,
    SURE,
    UNSURE,
    Advice,
    advise,
    settings_for,
)
from haunt.study.measures import Draws
from haunt.study.rerun import REPORT_MS, Recording, rerun
from haunt.study.sweep import Night, Setting, attempt, changed, night_of
from tests.study.evenings import BOOT, START_MS, WALL_MS, evening, one_prop, poisson

HOUR_MS = 3_600_000
HOURS = 4
PLAY_MS = 4000 + REPORT_MS
DRAWS = Draws({("gate", "growl"): 1000.0}, {"b1": 80.0}, {"b1": 2000.0})
RESTS_MS = (8000, 15_000, 30_000, 60_000)


def drawn(seed: int, mean_ms: int = 45_000) -> list[tuple[int, int]]:
    """Groups that come by chance and stand there for four and a half seconds."""
    return poisson(seed, mean_ms, HOURS * HOUR_MS)


def a_night(
    groups: list[tuple[int, int]],
    rest_ms: int = 60_000,
    charge: tuple[int, int] | None = None,
    **more: int,
) -> Night:
    recording = evening(groups, HOURS * HOUR_MS)
    if charge is not None:
        recording = told(recording, charge)
    return night_of(recording, one_prop(rest_ms, **more), DRAWS)


def told(recording: Recording, charge: tuple[int, int]) -> Recording:
    """Let the board tell its charge five times at each end."""
    end_ms = recording.outside[-1].mono_ms - START_MS
    at = [*(1000 + n for n in range(5)), *(end_ms - 5 + n for n in range(5))]
    health = [
        events.BoardHealth(START_MS + ms, WALL_MS + ms, "b1", BOOT, ms, charge[n // 5])
        for n, ms in enumerate(at)
    ]
    happened = sorted((*recording.outside, *health), key=lambda each: each.mono_ms)
    return replace(recording, outside=tuple(happened))


def truth(groups: list[tuple[int, int]], rest_ms: int, patience_ms: int = 3000) -> int:
    """Count the groups that a prop with that rest meets, by the plainest loop there is.

    Groups less than 10 s apart are one; one waits for the prop as long as its motions and patience
    last. Motions come every 1.5 s.
    """
    met, free = 0, 0
    for first, last in passing(groups):
        motions = range(first, last + 1, 1500)
        starts = [max(at, free) for at in motions if max(at, free) <= at + patience_ms]
        if starts:
            met += 1
            while starts:
                free = starts[0] + PLAY_MS + rest_ms
                starts = [max(at, free) for at in motions if max(at, free) <= at + patience_ms]
    return met


def passing(groups: list[tuple[int, int]]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for at, stays in groups:
        if found and at - found[-1][1] < 10_000:
            found[-1] = (found[-1][0], max(found[-1][1], at + stays))
        else:
            found.append((at, at + stays))
    return found


# --- the worked example


@pytest.fixture(scope="module")
def worked() -> tuple[list[list[tuple[int, int]]], Advice]:
    """Three evenings of 80 groups an hour at a prop that rests a minute, and what is advised."""
    evenings = [drawn(seed) for seed in (1, 2, 3)]
    return evenings, advise([a_night(each) for each in evenings], "gate", RESTS_MS)


def test_the_advice_counts_what_a_plain_loop_counts(
    worked: tuple[list[list[tuple[int, int]]], Advice],
) -> None:
    """Within two groups of a hundred: where groups overlap there are motions the loop has not."""
    evenings, advice = worked
    for tried in advice.tried:
        plain = sum(truth(each, tried.cooldown_ms) for each in evenings)
        assert tried.answered == pytest.approx(plain, abs=0.02 * advice.visits)
    assert advice.visits == sum(len(passing(each)) for each in evenings)


def test_it_advises_a_shorter_rest_and_that_is_right_on_evenings_it_has_not_seen(
    worked: tuple[list[list[tuple[int, int]]], Advice],
) -> None:
    _, advice = worked
    assert advice.cooldown_ms is not None
    assert advice.cooldown_ms < advice.now_ms
    assert advice.sure >= SURE

    unseen = [drawn(seed) for seed in range(20, 40)]
    gains = [truth(each, advice.cooldown_ms) - truth(each, advice.now_ms) for each in unseen]
    mean = 3 * sum(gains) / len(gains)  # of three evenings
    assert advice.low <= mean <= advice.high
    assert min(gains) > 0


def test_no_rest_that_was_tried_is_surely_better_than_the_advised(
    worked: tuple[list[list[tuple[int, int]]], Advice],
) -> None:
    """And among those that are as good it is the longest, by the truth of twenty other evenings."""
    _, advice = worked
    unseen = [drawn(seed) for seed in range(20, 40)]
    by_rest = {rest: sum(truth(each, rest) for each in unseen) for rest in RESTS_MS}
    assert advice.cooldown_ms is not None
    best = max(by_rest.values())
    assert by_rest[advice.cooldown_ms] > 0.9 * best


def test_where_rests_do_not_matter_it_seldom_cries_wolf() -> None:
    """Groups ten minutes apart: a rest of 4 s to 20 s answers all the same. 20 evenings."""
    wolves = 0
    for seed in range(20):
        night = a_night(drawn(seed, 600_000), rest_ms=15_000)
        wolves += advise([night], "gate", (4000, 20_000)).cooldown_ms is not None
    assert wolves <= 1


# --- it refuses


def test_it_refuses_what_would_empty_the_pack_and_says_so() -> None:
    """24 % at close; a rest of 8 s plays some 120 times more, 1.1 mAh each: 6 points of 2,000."""
    full, low = (
        advise([a_night(drawn(1), charge=charge, retire_percent=10)], "gate", (8000,))
        for charge in ((100, 60), (60, 24))
    )

    assert full.cooldown_ms == 8000
    assert low.cooldown_ms is None
    assert low.why == PACK
    assert [each.bars for each in low.tried] == [PACK, ""]


def test_a_pack_at_close_is_what_it_was_less_what_is_drawn_more() -> None:
    advice = advise([a_night(drawn(1), charge=(100, 60))], "gate", (8000,))
    quick, now = advice.tried

    assert now.left_percent == 60
    assert quick.left_percent is not None
    plays = quick.fired - now.fired
    assert quick.left_percent == pytest.approx(60 - 100 * plays * PLAY_MS / 3600 / 2000, abs=0.01)


def test_it_refuses_what_neighbours_would_lose_more_by() -> None:
    """Two others stand within its gap, not within each other's: it takes a group, and they two."""
    of = neighbours()
    passing_by = [(at, 0) for at, _ in drawn(5)]
    night = night_of(evening(passing_by, HOURS * HOUR_MS), of, DRAWS)
    advice = advise([night], "gate", (4000,))
    quick, now = advice.tried[0], advice.tried[-1]

    assert quick.answered > now.answered
    assert now.elsewhere - quick.elsewhere > quick.answered - now.answered
    assert (advice.cooldown_ms, advice.why) == (None, NEIGHBOURS)


def neighbours() -> Show:
    growl = Behaviour("growl", 4000)
    names = ("gate", "well", "arch")
    first = PropSpec("gate", "b1", "Gate", (growl,), 60_000, priority=1, neighbours=names[1:])
    others = [PropSpec(n, "b1", n, (growl,), 4000, neighbours=("gate",)) for n in names[1:]]
    sensor = SensorSpec("pir", "b1", block_ms=500, links=tuple(Link(each) for each in names))
    return Show("garden", "UTC", (BoardSpec("b1"),), (sensor,), (first, *others), gap_ms=12_000)


def test_it_refuses_what_plays_on_and_on_for_one_group_more() -> None:
    """Every half hour somebody stands there for ten minutes, and another comes by right after them.

    A rest of 4 s meets the other too, and plays 70 times for who stands there; now it is ten times.
    """
    groups = [
        each
        for at in range(0, HOURS * HOUR_MS - 1_200_000, 1_800_000)
        for each in ((at, 600_000), (at + 612_000, 0))
    ]
    advice = advise([a_night(groups, rest_ms=56_000)], "gate", (4000,))
    quick, now = advice.tried

    assert (now.answered, quick.answered) == (8, 16)
    assert quick.fired > 5 * now.fired
    assert (quick.bars, advice.cooldown_ms, advice.why) == (DEAR, None, DEAR)


@pytest.mark.parametrize("why", [NO_GAIN, UNSURE, NEIGHBOURS, PACK, OTHER_PACK, MOTOR, DEAR])
def test_every_reason_to_refuse_is_said_in_words(why: str) -> None:
    assert len(why) > 10


# --- it breaks no limit


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("charge", [(100, 70), (60, 31)])
def test_what_is_advised_breaks_no_limit(seed: int, charge: tuple[int, int]) -> None:
    """Limits are worked out anew from a run of the advised rest, on a motor with a small duty."""
    night = a_night(
        drawn(seed, 30_000), charge=charge, retire_percent=15, duty_permille=100, hourly_cap=70
    )
    advice = advise([night], "gate", (4000, 20_000))
    chosen = advice.cooldown_ms if advice.cooldown_ms is not None else advice.now_ms
    now = attempt(night, Setting("gate", 60_000)).figures
    then = attempt(night, Setting("gate", chosen)).figures

    assert then.worst_duty <= 0.1
    assert max(starts_an_hour(night, chosen)) <= 70
    more = 100 * (then.used_mah["b1"] - now.used_mah["b1"]) / 2000
    if advice.cooldown_ms is not None:
        assert charge[1] - more >= 15 + RESERVE_PERCENT
        assert advice.gain == then.answered - now.answered > 0


def starts_an_hour(night: Night, rest_ms: int) -> list[int]:
    run = rerun(night.recording, changed(night.show, Setting("gate", rest_ms)))
    starts = run.starts()["gate"]
    return [sum(1 for other in starts if 0 <= at - other < HOUR_MS) for at in starts]


def test_a_patience_as_long_as_the_rest_is_not_tried() -> None:
    spec = one_prop(20_000).props[0]
    found = settings_for(spec, (4000, 20_000), (1500, 3000, 5000))

    assert found[0] == Setting("gate", 20_000)
    pairs = {(each.cooldown_ms, each.patience_ms) for each in found}
    assert (4000, 5000) not in pairs
    assert (4000, 1500) in pairs
    assert (20_000, 3000) not in pairs  # that is its patience now
    assert len(found) == len(set(found))
