"""Goal: a restart finds the night as it was; nothing fires that should not, nothing is forgotten.

Method: snapshots go through JSON; with `Started` (a restart) and without (nothing may change).
"""

import json
from typing import Any

import pytest

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.calendar import HOUR_MS
from haunt.core.clockwork import TimeOfDay, Timetable
from haunt.core.decisions import MotionKey
from haunt.core.plays import DUTY_WINDOW_MS
from haunt.core.show import Behaviour, Link, LoadSpec
from tests.core.stage import BOOT, Stage, lines, prop, sensor, show, verdicts


def under_way() -> Stage:
    """Return a stage where one trigger waits 1000 ms more and one walks 2000 ms more."""
    far = sensor("far", links=(Link("well", 2000),))
    stage = Stage(show(prop(), prop("well", "b2"), sensor(), far))
    stage.plays()
    stage.wait(9000)
    stage.motion()
    stage.motion("far")
    return stage


def test_a_snapshot_is_plain_json() -> None:
    stage = under_way()
    memory = stage.arbiter.snapshot()

    assert json.loads(json.dumps(memory))["night"] == json.loads(json.dumps(memory["night"]))


def test_a_snapshot_of_another_version_is_refused() -> None:
    memory = under_way().arbiter.snapshot() | {"version": 99}

    with pytest.raises(ValueError, match="version 99"):
        Arbiter(show(prop()), memory=memory)


def test_triggers_under_way_go_on_after_a_short_restart() -> None:
    stage = under_way()
    assert stage.restart(500) == []

    assert [(d.prop, d.outcome, d.waited_ms) for d in stage.wait(1500)] == [
        ("gate", "fired", 1000),
        ("well", "fired", 0),
    ]


def test_triggers_past_patience_end_as_lapsed_by_the_restart() -> None:
    stage = under_way()

    assert verdicts(stage.restart(5001)) == [("lapsed", "restart")] * 2
    assert stage.wait(60_000) == []


def test_patience_that_ends_with_the_restart_is_enough() -> None:
    stage = under_way()

    assert [(d.prop, d.outcome, d.reason) for d in stage.restart(5000)] == [
        ("gate", "lapsed", "restart"),
        ("well", "fired", None),
    ]


def test_a_group_that_waited_through_the_restart_may_have_left() -> None:
    stage = Stage(show(prop(), sensor(stays=True, fresh_ms=500)))
    stage.plays()
    stage.wait(9000)
    stage.motion()

    assert verdicts(stage.restart(2000)) == [("lapsed", "left")]


def test_a_trigger_that_waited_through_the_restart_still_has_its_place() -> None:
    stage = under_way()
    stage.restart(500)

    assert verdicts(stage.motion()) == [("refused", "already-waiting")]


def test_a_suspended_controller_lets_what_is_too_late_lapse() -> None:
    stage = under_way()
    stage.now += 60_000

    assert [d.outcome for d in stage.do(events.Woke)] == ["lapsed"] * 2


def test_a_stop_outlives_the_restart_and_the_epoch_rises_above_both() -> None:
    stage = under_way()
    stage.do(events.Stopped)
    stopped = stage.stops[-1].epoch
    stage.restart(500, epoch=40)

    assert (stage.stops[-1].stopped, stage.stops[-1].epoch) == (True, 41)
    assert stopped < 40
    assert verdicts(stage.motion()) == [("refused", "stopped")]


def test_a_retained_stop_that_the_store_missed_counts() -> None:
    stage = under_way()

    assert verdicts(stage.restart(500, epoch=9, stopped=True)) == [("refused", "stopped")] * 2


def test_a_release_that_had_not_counted_to_its_end_is_forgotten() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.wait(3000)
    stage.restart(500)
    stage.wait(60_000)

    assert verdicts(stage.motion()) == [("refused", "stopped")]
    stage.do(events.StopReleased)
    stage.wait(5000)
    assert verdicts(stage.motion()) == [("fired", None)], "it may be released again"


def test_a_release_counts_on_while_somebody_changes_the_show() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.wait(3000)
    stage.do(events.ShowChanged, show(prop(cooldown_ms=0), sensor()))
    stage.wait(1999)
    assert verdicts(stage.motion()) == [("refused", "stopped")]
    stage.wait(1)

    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_play_runs_out_while_nobody_watches_and_the_rest_counts_from_then() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.restart(6000)

    assert lines(stage.motion()) == [("refused", "cooldown", 8500)]


def test_holds_mutes_phases_and_services_are_kept() -> None:
    stage = Stage(show(prop(), prop("well", "b2"), prop("owl", "b3"), sensor(), sensor("mat")))
    stage.do(events.Held, "gate", 60_000)
    stage.do(events.ServiceChanged, "well", True)
    stage.do(events.Muted, "mat", True)
    stage.do(events.PhaseByHand, "gentle", 60_000)
    stage.do(events.WalkTest, True)
    stage.do(events.DoorsSet, "paused")
    before = stage.arbiter.snapshot()
    stage.restart(10_000)
    after = stage.arbiter.snapshot()

    assert after["props"] == before["props"]
    assert after["sensors"] == before["sensors"]
    same = ("walk_test", "doors", "hand_phase", "hand_phase_until_ms")
    assert {k: after["night"][k] for k in same} == {k: before["night"][k] for k in same}


def test_triggers_keep_their_motion_cue_and_hour_while_somebody_changes_the_show() -> None:
    stage = under_way()
    assert stage.do(events.ShowChanged, stage.arbiter.night.show) == []

    decided = stage.wait(999) + stage.wait(1001)

    assert [(d.prop, d.motion, d.cue, d.waited_ms) for d in decided] == [
        ("gate", MotionKey("b1", BOOT, 2), f"b1-{BOOT}-2-gate", 1000),
        ("well", MotionKey("b1", BOOT, 3), f"b1-{BOOT}-3-well", 0),
    ]


def test_a_motion_that_was_overtaken_still_counts_once_after_the_restart() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion(seq=1)
    stage.motion(seq=3)
    stage.restart(500)

    assert len(stage.motion(seq=2)) == 1
    assert stage.motion(seq=2) == []


def test_what_plays_through_a_restart_still_counts_for_what_it_shares() -> None:
    """Two of 400 play, so 300 more are too many of 1,000, until the first of them is over."""
    things = [
        each
        for n, (amount, ms) in enumerate(((400, 4000), (400, 9000), (300, 1000)))
        for each in (
            prop(f"p{n}", behaviours=(Behaviour("go", ms, draws=((0, amount),)),)),
            sensor(f"s{n}", f"p{n}"),
        )
    ]
    stage = Stage(show(*things, loads=(LoadSpec("supply", "psu", 1000),)))
    stage.motion("s0")
    stage.motion("s1")
    stage.restart(2000)

    assert stage.motion("s2") == []
    assert [(d.prop, d.waited_ms) for d in stage.wait(60_000)] == [("p2", 2500)]


def test_motions_seen_before_the_restart_are_duplicates_after_it() -> None:
    stage = under_way()
    stage.restart(500)

    assert stage.do(events.Motion, "b1", "pir", BOOT, 1) == []


def test_the_motions_of_eight_boots_are_known_again_after_a_restart() -> None:
    stage = Stage(show(prop(), sensor()))
    boots = [f"7f3a91c2d4{n:02}" for n in range(9)]
    for boot in boots:
        stage.do(events.Motion, "b1", "pir", boot, 1)
    stage.reload()

    again = [stage.do(events.Motion, "b1", "pir", boot, 1) for boot in boots[1:]]
    assert again == [[]] * 8
    assert stage.do(events.Motion, "b1", "pir", boots[0], 1) != [], "only the last eight are kept"


def test_a_show_changed_while_the_controller_was_down_leaves_the_law_intact() -> None:
    stage = under_way()
    stage.restart(500, of=show(prop(), sensor()))

    assert [d.prop for d in stage.wait(60_000)] == ["gate"]
    assert stage.arbiter.night.items == {}


def test_a_draw_and_its_cue_id_depend_on_the_motion_alone() -> None:
    several = tuple(Behaviour(name, 1000) for name in "abcdef")
    names = []
    for _ in range(2):
        stage = Stage(show(prop(behaviours=several), sensor()))
        stage.motion(seq=41)
        names.append((stage.cues[0].cue, stage.cues[0].behaviour))

    assert names[0] == names[1]
    assert names[0][0] == f"b1-{BOOT}-41-gate"
    [fired] = [d for d in stage.decisions if d.outcome == "fired"]
    assert fired.motion == MotionKey("b1", BOOT, 41)


def test_the_timetable_goes_on_where_it_was_without_a_restart() -> None:
    every = Timetable(0, "gate", None, every_min_ms=600_000, every_max_ms=600_000)
    at = Timetable(1, "gate", None, TimeOfDay(17 * 60 + 5))
    stage = Stage(show(prop(), timetable=(every, at)))
    stage.wait(200_000)
    stage.reload()

    assert [d.at_ms - 1_000_000 for d in stage.wait(500_000)] == [300_000, 600_000]


@pytest.mark.parametrize("at_ms", [0, 2000, 4000, 9000, 30_000])
def test_what_is_spread_over_cap_and_duty_survives(at_ms: int) -> None:
    motor = (Behaviour("turn", 4000, motor_on_ms=4000),)
    spec = show(prop(behaviours=motor, cooldown_ms=1000, hourly_cap=6, duty_permille=20), sensor())
    straight, through = Stage(spec), Stage(spec)
    for stage in (straight, through):
        stage.plays()
        stage.wait(1000)
        stage.do(events.FiredByHand, "gate", "k1")
        stage.wait(4000)
        stage.finish()
        stage.wait(1000)
        stage.do(events.FiredByHand, "gate", "k2")
        stage.wait(at_ms)
    through.reload()

    assert lines(through.motion()) == lines(straight.motion())


@pytest.mark.parametrize("limit", [{"hourly_cap": 6}, {"duty_permille": 50}])
def test_what_a_board_refused_leaves_no_longer_rest_behind_after_a_restart(
    limit: dict[str, Any],
) -> None:
    """Found by a rough day of 200 props: what had left the window by the refused start was gone."""
    window_ms = HOUR_MS if "hourly_cap" in limit else DUTY_WINDOW_MS
    motor = (Behaviour("turn", 5000, motor_on_ms=5000),)
    spec = show(prop(behaviours=motor, cooldown_ms=1000, **limit), sensor())
    straight, through = Stage(spec), Stage(spec)
    for stage in (straight, through):
        stage.plays(ms=5000)
        stage.wait(window_ms * 2 // 3)
        for _ in range(4):
            stage.plays(ms=5000)
            stage.wait(max(1000, stage.arbiter.night.props["gate"].spread_ms))
        stage.wait(5000)
        assert verdicts(stage.motion())[0][0] == "fired"
        stage.do(events.Reported, "b1", stage.cues[-1].cue, "refused", "late")
    through.reload()

    assert through.arbiter.snapshot() == straight.arbiter.snapshot()
    assert lines(through.motion()) == lines(straight.motion())
