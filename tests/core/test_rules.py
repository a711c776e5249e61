"""Goal: each rule gives its own reason, at its own edge, with its own margin.

Method: the smallest show that meets the rule, on the virtual clock; the edge from both sides.
"""

from typing import Any

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.rules import RULES, Kind, Scope
from haunt.core.show import Behaviour, Link, LoadSpec
from tests.core.stage import Stage, prop, sensor, show, verdicts

REFUSED = "refused"
ALL_DAY = (TimeOfDay(0), TimeOfDay(0))

DESIGN = [
    ("sensor", "unknown-sensor", "never"),
    ("sensor", "muted", "never"),
    ("sensor", "warming-up", "never"),
    ("sensor", "block-time", "never"),
    ("sensor", "lingering", "never"),
    ("sensor", "wrong-way", "never"),
    ("sensor", "self-trigger", "never"),
    ("sensor", "no-prop", "never"),
    ("prop", "stale", "never"),
    ("show", "stopped", "never"),
    ("show", "walk-test", "never"),
    ("show", "closed", "never"),
    ("prop", "held", "never"),
    ("prop", "locked-out", "never"),
    ("prop", "out-of-service", "never"),
    ("prop", "offline", "never"),
    ("show", "no-link", "never"),
    ("prop", "low-battery", "never"),
    ("prop", "already-waiting", "never"),
    ("prop", "playing", "clears"),
    ("prop", "cooldown", "clears"),
    ("prop", "hourly-cap", "clears"),
    ("prop", "duty", "clears"),
    ("show", "audience", "never"),
    ("show", "quiet-hours", "never"),
    ("show", "stagger", "clears"),
    ("show", "talk-over", "clears"),
    ("show", "supply", "clears"),
    ("show", "flash", "clears"),
    ("show", "sound-limit", "clears"),
]


def test_the_table_has_the_rules_in_their_order_and_kind() -> None:
    assert [(str(r.scope), r.reason, str(r.kind)) for r in RULES] == DESIGN
    assert [r.order for r in RULES] == list(range(len(RULES)))
    assert {r.scope for r in RULES} == set(Scope)
    assert {r.kind for r in RULES} == set(Kind)


# --- sensor rules


def test_an_unknown_sensor_gets_one_decision_without_a_prop() -> None:
    stage = Stage(show(prop(), sensor()))
    [decision] = stage.motion("nobody")
    assert (decision.reason, decision.prop) == ("unknown-sensor", None)


def test_a_sensor_of_another_board_is_unknown() -> None:
    stage = Stage(show(prop(), prop("well", "b2"), sensor()))
    assert verdicts(stage.do(events.Motion, "b2", "pir", "7f3a91c2d405", 1)) == [
        (REFUSED, "unknown-sensor")
    ]


def test_a_muted_sensor_comes_back_by_itself_when_muted_for_a_time() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Muted, "pir", on=True, for_ms=1000)
    stage.wait(999)
    [decision] = stage.motion()
    assert (decision.reason, decision.margin) == ("muted", 1)
    stage.wait(1)
    assert verdicts(stage.motion()) == [("fired", None)]


@pytest.mark.parametrize(
    ("reset", "fires"), [("power-on", False), ("brown-out", False), ("watchdog", True)]
)
def test_warm_up_follows_power_and_not_a_watchdog(reset: str, fires: bool) -> None:
    stage = Stage(show(prop(), sensor(warm_up_ms=60_000)))
    stage.do(events.BoardHere, "b1", "aaaaaaaaaaaa", 1000, reset)
    stage.wait(58_999)
    verdict = stage.do(events.Motion, "b1", "pir", "aaaaaaaaaaaa", 1)
    assert [d.reason for d in verdict] == [None if fires else "warming-up"]
    stage.wait(60_000)
    assert verdicts(stage.do(events.Motion, "b1", "pir", "aaaaaaaaaaaa", 2)) == [("fired", None)]


def test_block_time_counts_from_the_last_accepted_motion_and_excludes_its_end() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor(block_ms=5000)))
    stage.motion()
    stage.wait(4999)
    [decision] = stage.motion()
    assert (decision.reason, decision.margin) == ("block-time", 1)
    stage.wait(1)
    assert stage.motion()[0].reason != "block-time"


def test_a_motion_refused_by_its_prop_was_accepted_all_the_same() -> None:
    stage = Stage(show(prop(), sensor(block_ms=5000)))
    stage.do(events.Held, "gate")
    assert verdicts(stage.motion()) == [(REFUSED, "held")]
    assert verdicts(stage.motion()) == [(REFUSED, "block-time")]


def test_a_lingering_group_is_refused_and_a_steady_crowd_rearms() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor(lull_ms=4000, lull_max_ms=45_000)))
    stage.motion()
    reasons = []
    for _ in range(16):
        stage.wait(3000)
        reasons += [d.reason for d in stage.motion()]
    assert reasons[:14] == ["lingering"] * 14
    assert reasons[14] is None, "45 s without an accepted motion re-arm it"


def test_the_lull_runs_from_when_the_sensor_cleared() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor(lull_ms=4000)))
    stage.motion()
    stage.wait(6000)
    stage.do(events.BoardHealth, "b1", "7f3a91c2d405", active=(("pir", 6000),))
    stage.wait(3999)
    assert verdicts(stage.motion()) == [(REFUSED, "lingering")]


def test_people_who_come_the_other_way_are_refused() -> None:
    stage = Stage(
        show(
            prop(),
            sensor("first", links=()),
            sensor(links=(Link("gate", after="first", within_ms=10_000),)),
        )
    )
    assert verdicts(stage.motion()) == [(REFUSED, "wrong-way")]
    stage.motion("first")
    stage.wait(10_000)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_sensor_does_not_believe_what_it_sees_of_its_own_prop() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor(sees=("gate",), settle_ms=500)))
    stage.motion()
    assert verdicts(stage.motion()) == [(REFUSED, "self-trigger")]
    stage.wait(4000)
    stage.finish()
    stage.wait(499)
    assert verdicts(stage.motion()) == [(REFUSED, "self-trigger")]
    stage.wait(1)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_sensor_without_links_says_so() -> None:
    stage = Stage(show(prop(), sensor(links=())))
    assert verdicts(stage.motion()) == [(REFUSED, "no-prop")]


# --- never rules


def test_a_motion_older_than_patience_is_stale_and_says_how_late() -> None:
    stage = Stage(show(prop(), sensor()))
    [decision] = stage.motion(age_ms=3001)
    assert (decision.reason, decision.margin) == ("stale", 1)
    assert verdicts(stage.motion(age_ms=3000)) == [("fired", None)]


def test_walk_test_lets_nothing_fire_but_a_hand_with_hands_clear() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.WalkTest, on=True)
    assert verdicts(stage.motion()) == [(REFUSED, "walk-test")]
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [(REFUSED, "walk-test")]
    assert verdicts(stage.do(events.FiredByHand, "gate", "k2", None, hands_clear=True)) == [
        ("fired", None)
    ]


def test_doors_closed_by_hand_refuse_motion_and_not_a_hand() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.DoorsSet, "paused")
    assert verdicts(stage.motion()) == [(REFUSED, "closed")]
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("fired", None)]


def test_a_hold_for_a_time_ends_by_itself_and_says_what_is_left() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Held, "gate", 60_000)
    stage.wait(59_000)
    [decision] = stage.motion()
    assert (decision.reason, decision.margin) == ("held", 1000)
    stage.wait(1000)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_lock_out_survives_a_new_board_and_the_release_of_holds() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.LockedOut, "gate", on=True, by="ana")
    stage.do(events.HoldReleased, None)
    stage.do(events.BoardHere, "b1", "bbbbbbbbbbbb", 10, "power-on")
    assert verdicts(stage.do(events.FiredByHand, "gate", "k")) == [(REFUSED, "locked-out")]


def test_a_board_that_goes_ends_its_plays_and_refuses_until_it_is_back() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor()))
    stage.motion()
    stage.do(events.BoardGone, "b1")
    assert stage.arbiter.night.props["gate"].play is None
    assert verdicts(stage.motion()) == [(REFUSED, "offline")]
    stage.do(events.BoardHere, "b1", "7f3a91c2d405")
    assert verdicts(stage.motion()) == [("fired", None)]


def test_without_a_broker_nothing_is_queued_to_come_late() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.LinkChanged, up=False)
    assert verdicts(stage.motion()) == [(REFUSED, "no-link")]


def test_a_flat_pack_retires_its_prop_after_three_rest_readings_and_returns_ten_points_up() -> None:
    stage = Stage(show(prop(retire_percent=20), sensor()))
    for percent in (50, 15, 15, 15):
        stage.do(events.BoardHealth, "b1", "7f3a91c2d405", charge_percent=percent)
    assert verdicts(stage.motion())[0][0] == "fired", "the median of five is not low yet"
    stage.wait(20_000)
    for _ in range(4):
        stage.do(events.BoardHealth, "b1", "7f3a91c2d405", charge_percent=15)
    [decision] = stage.motion()
    assert (decision.reason, decision.margin) == ("low-battery", 5)
    for _ in range(3):
        stage.do(events.BoardHealth, "b1", "7f3a91c2d405", charge_percent=30)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_readings_under_load_say_nothing() -> None:
    stage = Stage(show(prop(retire_percent=20), sensor()))
    stage.motion()
    for _ in range(6):
        stage.wait(500)
        stage.do(events.BoardHealth, "b1", "7f3a91c2d405", charge_percent=3)
    assert stage.arbiter.night.boards["b1"].charge_percent is None


# --- clears rules


def test_the_cap_counts_the_trailing_hour_and_excludes_its_beginning() -> None:
    stage = Stage(show(prop(hourly_cap=1, cooldown_ms=0), sensor()))
    stage.motion()
    stage.wait(4000)
    stage.finish()
    stage.wait(3_600_000 - 4000 - 3001)
    [decision] = stage.motion()
    assert (decision.reason, decision.margin) == ("hourly-cap", 3001)
    stage.wait(1)
    assert stage.motion() == []
    [decision] = stage.wait(3000)
    assert (decision.outcome, decision.waited_ms) == ("fired", 3000)


def test_from_half_of_the_cap_used_the_rest_is_spread_over_the_hour() -> None:
    stage = Stage(show(prop(hourly_cap=4, cooldown_ms=0), sensor()))
    for _ in range(2):
        stage.motion()
        stage.wait(4000)
        stage.finish()
    [decision] = stage.motion()
    assert decision.reason == "cooldown"
    assert decision.margin is not None
    assert 1_700_000 < decision.margin < 1_800_000


def test_a_motor_rests_when_its_share_of_ten_minutes_is_used() -> None:
    driven = (Behaviour("turn", 60_000, motor_on_ms=60_000),)
    stage = Stage(show(prop(behaviours=driven, duty_permille=250, cooldown_ms=0), sensor()))
    for _ in range(60):
        stage.motion()
        if stage.arbiter.night.props["gate"].play is not None:
            stage.wait(60_000)
            stage.finish()
        else:
            stage.wait(20_000)
    starts = [cue.sent_ms for cue in stage.cues]
    for end in starts:
        window = [s for s in starts if end + 60_000 - 600_000 < s + 60_000 and s <= end]
        on_ms = sum(min(s, end) + 60_000 - max(s, end + 60_000 - 600_000) for s in window)
        assert on_ms <= 150_000


def calendar(**more: Any) -> CalendarSpec:
    return CalendarSpec(**more)


def test_a_gentle_phase_narrows_the_choice_before_it_bars() -> None:
    mild = (Behaviour("sigh", 1000, intensity=1), Behaviour("roar", 1000, intensity=5))
    early = calendar(phases=(PhaseSpec("early", *ALL_DAY, max_intensity=2),))
    stage = Stage(show(prop(behaviours=mild, cooldown_ms=0), sensor(), calendar=early))
    for _ in range(5):
        stage.motion()
        stage.wait(1000)
        stage.finish()
    assert {cue.behaviour for cue in stage.cues} == {"sigh"}

    stage = Stage(show(prop(behaviours=mild[1:]), sensor(), calendar=early))
    assert verdicts(stage.motion()) == [(REFUSED, "audience")]


def test_gentle_by_hand_bars_strobes_and_ends_by_itself() -> None:
    strobe = (Behaviour("strobe", 1000, flash_mhz=2000),)
    stage = Stage(show(prop(behaviours=strobe, cooldown_ms=0), sensor()))
    stage.do(events.PhaseByHand, "gentle", 180_000)
    assert verdicts(stage.motion()) == [(REFUSED, "audience")]
    stage.wait(180_000)
    assert verdicts(stage.motion()) == [("fired", None)]


def test_nothing_plays_into_the_quiet_hours() -> None:
    loud = (Behaviour("howl", 10_000, level_dba=80.0),)
    hush = calendar(quiet=(QuietSpec(TimeOfDay(17 * 60 + 1), TimeOfDay(18 * 60), (), 70.0),))
    stage = Stage(show(prop(behaviours=loud), sensor(), calendar=hush))
    stage.wait(49_999)
    assert verdicts(stage.motion()) == [("fired", None)]
    stage = Stage(show(prop(behaviours=loud), sensor(), calendar=hush))
    stage.wait(50_000)
    assert verdicts(stage.motion()) == [(REFUSED, "quiet-hours")]


def test_a_neighbours_gap_excludes_its_end_and_gives_what_is_left() -> None:
    stage = _pair(gap_ms=8000)
    stage.motion()
    stage.wait(3000)
    [decision] = stage.motion("mat")
    assert (decision.reason, decision.margin) == ("stagger", 5000)
    stage.wait(5000)
    assert verdicts(stage.motion("mat")) == [("fired", None)]


def _pair(**more: Any) -> Stage:
    near = {"gate": ("well",), "well": ("gate",)}
    return Stage(
        show(
            prop(neighbours=near["gate"]),
            prop("well", "b2", neighbours=near["well"]),
            sensor(),
            sensor("mat", "well", "b2"),
            **more,
        )
    )


def _sharing(reason: str, limit: int, amount: int, **more: Any) -> Stage:
    heavy = (Behaviour("on", 2000, draws=((0, amount),)),)
    return Stage(
        show(
            prop(behaviours=heavy, **more),
            prop("well", "b2", behaviours=heavy, **more),
            sensor(),
            sensor("mat", "well", "b2"),
            loads=(LoadSpec(reason, "shared", limit),),
        )
    )


@pytest.mark.parametrize("reason", ["supply", "flash", "sound-limit"])
def test_a_shared_limit_may_be_reached_and_not_passed(reason: str) -> None:
    stage = _sharing(reason, 2000, 1000)
    stage.motion()
    assert verdicts(stage.motion("mat")) == [("fired", None)]

    stage = _sharing(reason, 1999, 1000)
    stage.motion()
    assert stage.motion("mat") == [], "it clears within patience, so it waits"
    stage.wait(2000)
    assert [cue.prop for cue in stage.cues] == ["gate"]
    stage.finish()
    assert [cue.prop for cue in stage.cues] == ["gate", "well"]


@pytest.mark.parametrize("reason", ["supply", "flash", "sound-limit"])
def test_a_behaviour_over_the_limit_by_itself_is_refused_at_once(reason: str) -> None:
    stage = _sharing(reason, 999, 1000)
    [decision] = stage.motion()
    assert (decision.outcome, decision.reason, decision.margin) == (REFUSED, reason, None)


def test_two_neighbours_do_not_speak_at_once_but_one_may_move_in_silence() -> None:
    def voices(*of: Behaviour) -> Stage:
        return Stage(
            show(
                prop(
                    behaviours=(Behaviour("speak", 6000, voice=True),), voice_neighbours=("well",)
                ),
                prop("well", "b2", behaviours=of, voice_neighbours=("gate",)),
                sensor(),
                sensor("mat", "well", "b2"),
            )
        )

    stage = voices(Behaviour("sing", 1000, voice=True))
    stage.motion()
    assert verdicts(stage.motion("mat")) == [(REFUSED, "talk-over")]
    stage = voices(Behaviour("sing", 1000, voice=True), Behaviour("sway", 1000))
    stage.motion()
    stage.motion("mat")
    assert stage.cues[-1].behaviour == "sway"


# --- order among rules


def test_a_never_rule_wins_over_a_clears_rule_that_stands_before_it() -> None:
    loud = (Behaviour("howl", 1000, level_dba=90.0),)
    hush = calendar(quiet=(QuietSpec(TimeOfDay(17 * 60 + 1), TimeOfDay(20 * 60)),))
    stage = Stage(show(prop(behaviours=loud, cooldown_ms=120_000), sensor(), calendar=hush))
    stage.motion()
    stage.wait(1000)
    stage.finish()
    stage.wait(60_000)
    assert verdicts(stage.motion()) == [(REFUSED, "quiet-hours")]


def test_among_clears_rules_the_one_that_clears_last_decides() -> None:
    stage = _pair(gap_ms=30_000)
    stage.motion("mat")
    stage.wait(4000)
    stage.finish("well")
    [decision] = stage.motion("mat")
    assert (decision.reason, decision.margin) == ("cooldown", 10_000)
    stage.do(events.HoldReleased, None)
    stage.motion()
    [decision] = stage.motion()
    assert decision.reason == "stagger"
    assert decision.margin == 26_000


# --- waiting, leaving, walking


def test_a_group_that_has_gone_is_not_startled_late() -> None:
    stage = Stage(
        show(
            prop(cooldown_ms=2900),
            sensor(stays=True, fresh_ms=2000),
        )
    )
    stage.motion()
    stage.wait(4000)
    stage.finish()
    assert stage.motion() == []
    [decision] = stage.wait(2900)
    assert (decision.outcome, decision.reason) == ("lapsed", "left")


def test_a_startle_that_waits_too_long_is_replaced_by_a_milder_behaviour() -> None:
    both = (Behaviour("startle", 1000, patience_ms=1500), Behaviour("moan", 1000, patience_ms=3000))
    stage = Stage(show(prop(behaviours=both, cooldown_ms=2000), sensor()))
    stage.motion()
    stage.wait(1000)
    stage.finish()
    stage.motion()
    stage.wait(2000)
    assert stage.cues[-1].behaviour == "moan"


def test_walking_visitors_are_judged_when_they_get_there() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", delay_ms=5000),))))
    assert stage.motion() == []
    stage.do(events.Held, "gate", 4000)
    assert [d.reason for d in stage.decisions] == ["held"], "a hold decides who is on the way"
    stage.motion()
    stage.wait(4999)
    assert stage.cues == []
    stage.wait(1)
    assert len(stage.cues) == 1


def test_the_more_important_prop_goes_first_at_one_instant() -> None:
    near = {"gate": ("well",), "well": ("gate",)}
    stage = Stage(
        show(
            prop(neighbours=near["gate"], priority=1),
            prop("well", "b2", neighbours=near["well"], priority=2),
            sensor(links=(Link("gate", 100), Link("well", 100))),
            gap_ms=8000,
        )
    )
    stage.motion()
    stage.wait(100)
    assert [cue.prop for cue in stage.cues] == ["well"]


def test_a_hand_overrules_rest_and_neighbours_and_nothing_else() -> None:
    stage = _pair(gap_ms=8000)
    stage.motion("mat")
    stage.motion()
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == [("fired", None)]
    assert verdicts(stage.do(events.FiredByHand, "gate", "k2")) == [(REFUSED, "playing")]
    assert stage.do(events.FiredByHand, "gate", "k1") == [], "the same request again"
    stage.wait(4000)
    stage.finish()
    assert verdicts(stage.do(events.FiredByHand, "gate", "k3")) == [("fired", None)]


# --- props that could hurt somebody


def test_an_armed_prop_is_never_released_with_the_rest() -> None:
    stage = Stage(show(prop(arm_by_hand=True), sensor()))
    stage.do(events.HoldReleased, "gate")
    stage.do(events.Stopped)
    stage.do(events.StopReleased)
    stage.wait(5000)
    assert verdicts(stage.motion()) == [(REFUSED, "held")]
    stage.do(events.HoldReleased, None)
    assert verdicts(stage.motion()) == [(REFUSED, "held")]
    stage.do(events.HoldReleased, "gate")
    assert verdicts(stage.motion()) == [("fired", None)]


@pytest.mark.parametrize(("gone_ms", "held"), [(29_999, False), (30_000, True)])
def test_an_armed_prop_is_held_again_after_its_board_was_lost(gone_ms: int, held: bool) -> None:
    stage = Stage(show(prop(arm_by_hand=True), sensor()))
    stage.do(events.HoldReleased, "gate")
    stage.do(events.BoardGone, "b1")
    stage.wait(gone_ms)
    stage.do(events.BoardHere, "b1", "7f3a91c2d405")
    assert stage.arbiter.night.props["gate"].held is held


# --- restarts and changed shows


def test_what_waited_through_a_restart_lapses_when_it_is_too_late() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", delay_ms=5000),))))
    stage.motion()
    stage.now += 9000
    [decision] = stage.do(events.Started, 0, stopped=False, link_up=True)
    assert (decision.outcome, decision.reason) == ("lapsed", "restart")


def test_a_stop_outlives_the_controller_and_the_epoch_rises() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Started, 41, stopped=True, link_up=True)
    assert stage.stops[-1].stopped
    assert stage.stops[-1].epoch == 42
    assert verdicts(stage.motion()) == [(REFUSED, "stopped")]


def test_a_changed_cooldown_counts_at_once_and_keeps_the_state() -> None:
    stage = Stage(show(prop(cooldown_ms=60_000), sensor()))
    stage.motion()
    stage.wait(4000)
    stage.finish()
    stage.wait(5000)
    assert verdicts(stage.motion()) == [(REFUSED, "cooldown")]
    stage.do(events.ShowChanged, show(prop(cooldown_ms=5000), sensor()))
    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_trigger_for_a_prop_that_is_taken_out_is_decided() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", delay_ms=5000),))))
    stage.motion()
    assert verdicts(stage.do(events.ShowChanged, show(prop("well"), sensor(links=())))) == [
        (REFUSED, "no-prop")
    ]
