"""Goal: hourly cap and duty hold exactly, and the rest is spread so that no prop goes dead.

Method: a prop that is asked all the time; its starts are checked against the windows afterwards,
by sums of their own.
"""

from itertools import pairwise
from typing import Any

import pytest

from haunt.core import events
from haunt.core.show import Behaviour
from tests.core.stage import Stage, lines, prop, sensor, show, verdicts
from tests.outside.registry import outside

HOUR_MS = 3_600_000
WINDOW_MS = round(60_000 * outside("workshop/cycle that S3 is judged over").value)


def asked(stage: Stage, for_ms: int, every_ms: int = 1000) -> list[int]:
    """Ask the gate for so long; it finishes what it plays in time. Return its starts."""
    before = len(stage.cues)
    until = stage.now + for_ms
    while stage.now < until:
        stage.motion()
        stage.wait(every_ms)
        play = stage.arbiter.night.props["gate"].play
        if play is not None and stage.now - play.started_ms >= play.behaviour.duration_ms:
            stage.finish()
    return [cue.sent_ms for cue in stage.cues[before:]]


def moving(**more: Any) -> Stage:
    motor = (Behaviour("turn", 4000, motor_on_ms=3000, patience_ms=0),)
    return Stage(show(prop(behaviours=motor, cooldown_ms=0, **more), sensor()))


# --- cap


def test_one_start_more_than_the_cap_waits_until_the_first_leaves_the_trailing_hour() -> None:
    stage = moving(hourly_cap=2)
    first = stage.now
    stage.plays()
    stage.do(events.FiredByHand, "gate", "k1")
    stage.wait(4000)
    stage.finish()
    stage.now = first + HOUR_MS - 1

    assert lines(stage.motion()) == [("refused", "hourly-cap", 1)]
    stage.wait(1)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_starts_by_hand_count_and_are_not_barred_by_the_cap() -> None:
    stage = moving(hourly_cap=1)
    stage.plays()
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("fired", None)]
    stage.wait(4000)
    stage.finish()
    stage.wait(HOUR_MS - 4001)

    assert verdicts(stage.motion()) == [("refused", "hourly-cap")]


def test_a_cap_of_none_at_all_refuses_without_a_margin() -> None:
    assert lines(moving(hourly_cap=0).motion()) == [("refused", "hourly-cap", None)]


def test_in_any_trailing_hour_there_are_no_more_starts_than_the_cap() -> None:
    starts = asked(moving(hourly_cap=30), 3 * HOUR_MS)

    for at in starts:
        assert sum(1 for each in starts if at - HOUR_MS < each <= at) <= 30


def test_from_half_of_the_cap_the_starts_are_spread_and_no_hour_is_half_dead() -> None:
    starts = asked(moving(hourly_cap=30), 3 * HOUR_MS)
    gaps = [b - a for a, b in pairwise(starts)]

    assert max(gaps) < HOUR_MS // 4
    assert len(starts) >= 2 * 30


def test_below_half_of_the_cap_nothing_is_stretched() -> None:
    stage = moving(hourly_cap=30)
    for _ in range(14):
        stage.plays()

    assert verdicts(stage.motion()) == [("fired", None)]


# --- duty: on-time in ten minutes by the convention of IEC 60034-1 for S3


def on_time(starts: list[int], until: int) -> int:
    """Motor on-time within the ten minutes before `until`, added up play by play."""
    return sum(
        max(0, min(at + 3000, until) - max(at, until - WINDOW_MS)) for at in starts if at < until
    )


@pytest.mark.parametrize("permille", [150, 250, 400])
def test_a_motor_never_runs_more_than_its_share_of_any_ten_minutes(permille: int) -> None:
    starts = asked(moving(duty_permille=permille), 2 * HOUR_MS)

    assert len(starts) > 100
    for at in starts:
        outside("duty/arbiter").saw(max(0, on_time(starts, at + 4000) - permille * 600))
    assert max(on_time(starts, at + 4000) for at in starts) > permille * 600 - 2 * 3000


def test_a_motor_that_rested_for_ten_minutes_has_its_whole_share_again_all_night() -> None:
    """One run of three seconds every eleven minutes, of the three that are allowed in ten."""
    turn = (Behaviour("turn", 4000, motor_on_ms=3000),)
    stage = Stage(show(prop(behaviours=turn, cooldown_ms=0, duty_permille=5), sensor()))
    for _ in range(12):
        stage.plays()
        stage.wait(656_000)

    assert len(stage.cues) == 12
    assert stage.arbiter.night.props["gate"].on_total_ms <= 2 * 3000, "old runs are forgotten"


def test_the_share_itself_may_be_reached_and_the_rule_says_when_there_is_room_again() -> None:
    stage = moving(duty_permille=10)  # 6000 ms in ten minutes: two plays
    first = stage.now
    stage.plays()
    assert stage.arbiter.night.props["gate"].spread_ms > 0
    stage.do(events.FiredByHand, "gate", "k1")
    stage.wait(4000)
    stage.finish()
    decision = stage.motion()[0]

    # The window ends with the behaviour: all 3000 ms of the first play must have left it by then.
    clears_ms = first + 3000 + WINDOW_MS - 4000
    assert (decision.reason, decision.margin) == ("duty", clears_ms - stage.now)
    stage.now = clears_ms - 1
    assert lines(stage.motion()) == [("refused", "duty", 1)]
    stage.wait(1)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_duty_is_not_overruled_by_hand() -> None:
    stage = moving(duty_permille=5)
    stage.plays()

    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("refused", "duty")]


def test_duty_narrows_to_what_needs_no_motor() -> None:
    both = (Behaviour("turn", 4000, motor_on_ms=3000), Behaviour("glow", 4000))
    stage = Stage(show(prop(behaviours=both, cooldown_ms=0, duty_permille=4), sensor()))
    for n in range(6):
        stage.do(events.FiredByHand, "gate", f"k{n}")
        stage.finish()

    assert {cue.behaviour for cue in stage.cues} == {"glow"}


def test_a_motor_stopped_early_has_only_run_so_long() -> None:
    stage = moving(duty_permille=20)
    for n in range(5):
        stage.do(events.FiredByHand, "gate", f"k{n}")
        stage.wait(1000)
        stage.finish()

    assert stage.arbiter.night.props["gate"].on_total_ms == 5000


def test_a_duty_set_in_mid_night_counts_what_the_motor_did_before() -> None:
    stage = moving()
    stage.plays()
    stage.plays()
    limited = moving(duty_permille=10).arbiter.night.show
    stage.do(events.ShowChanged, limited)

    assert verdicts(stage.motion()) == [("refused", "duty")]


def test_a_refused_cue_leaves_the_stretched_rest_as_it_was() -> None:
    stage = moving(hourly_cap=3)
    gate = stage.arbiter.night.props["gate"]
    stage.plays()
    stage.wait(WINDOW_MS)
    stage.plays()
    before = gate.spread_ms
    stage.wait(HOUR_MS)
    assert verdicts(stage.motion()) == [("fired", None)]
    stage.finish(state="refused", why="old-epoch")

    assert gate.spread_ms == before > 0
