"""Goal: how a due trigger is weighed: never over clears, the last to clear decides, patience.

Method: props on the virtual clock with two or more rules barring at once, at the very edges.
"""

from dataclasses import replace

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, TimeOfDay
from haunt.core.show import Behaviour, Link
from tests.core.stage import BOOT, Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
SHORT, LONG = Behaviour("snap", 1000, patience_ms=1500), Behaviour("moan", 1000, patience_ms=6000)


def resting(left_ms: int, *behaviours: Behaviour) -> Stage:
    """Return a stage whose gate rests for `left_ms` more."""
    stage = Stage(show(prop(behaviours=behaviours or (Behaviour("growl", 4000),)), sensor()))
    stage.plays(ms=1000)
    stage.wait(10_000 - left_ms)
    return stage


# --- due, stale, walking


def test_a_walk_makes_the_trigger_due_that_much_after_it_happened() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 5000),))))
    assert stage.motion(age_ms=2000) == []
    assert stage.wait(2999) == []

    [decision] = stage.wait(1)

    assert (decision.outcome, decision.waited_ms) == ("fired", 0)


def test_one_motion_fires_the_props_of_its_path_one_after_the_other() -> None:
    links = tuple(Link(name, ms) for name, ms in (("gate", 0), ("well", 4000), ("owl", 9000)))
    stage = Stage(show(prop(), prop("well", "b2"), prop("owl", "b3"), sensor(links=links)))
    stage.motion()
    stage.wait(9000)

    assert [(each.prop, each.sent_ms - 1_000_000) for each in stage.cues] == [
        ("gate", 0),
        ("well", 4000),
        ("owl", 9000),
    ]


def test_what_arrives_after_patience_is_stale_by_so_much_and_equality_is_not() -> None:
    stage = Stage(show(prop(), sensor()))
    assert lines(stage.motion(age_ms=3001)) == [("refused", "stale", 1)]

    assert verdicts(stage.motion(age_ms=3000)) == FIRED


def test_the_walk_is_no_part_of_lateness() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 5000),))))

    assert lines(stage.motion(age_ms=8001)) == [("refused", "stale", 1)]
    assert verdicts(stage.motion(age_ms=8000)) == FIRED


def test_stale_stands_before_stop_and_closed_in_the_table() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stage.do(events.DoorsSet, "closed")
    stage.do(events.WalkTest, True)

    assert verdicts(stage.motion(age_ms=3001)) == [("refused", "stale")]
    assert verdicts(stage.motion(age_ms=3000)) == [("refused", "stopped")]


def test_a_trigger_that_walks_does_not_take_the_place_of_one_that_waits() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 2000),)), sensor("mat")))
    stage.plays("mat")
    stage.wait(7500)
    stage.motion()  # due at 9500 of 10,000 ms of rest
    assert stage.motion("mat") == []  # due now, waits 2500

    assert verdicts(stage.wait(2000)) == [("refused", "already-waiting")]
    assert verdicts(stage.wait(500)) == FIRED


# --- never against clears


def test_a_never_rule_late_in_the_table_wins_over_a_clears_rule_before_it() -> None:
    wild = (Behaviour("leap", 4000, intensity=5),)
    stage = Stage(show(prop(behaviours=wild), sensor()))
    stage.plays()
    stage.do(events.PhaseByHand, "gentle")

    assert lines(stage.motion()) == [("refused", "audience", None)]


def test_among_never_rules_the_first_in_the_table_decides() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.LinkChanged, False)
    stage.do(events.BoardGone, "b1")
    reasons = []
    steps = (
        (events.ServiceChanged, ("gate", True)),
        (events.LockedOut, ("gate", True, "Ada")),
        (events.Held, ("gate",)),
        (events.DoorsSet, ("closed",)),
        (events.WalkTest, (True,)),
        (events.Stopped, ()),
    )
    reasons.append(stage.motion()[0].reason)
    for kind, words in steps:
        stage.do(kind, *words)
        reasons.append(stage.motion()[0].reason)
    stage.do(events.BoardHere, "b1", BOOT)

    assert reasons == [
        "offline",
        "out-of-service",
        "locked-out",
        "held",
        "closed",
        "walk-test",
        "stopped",
    ]


def test_without_a_broker_nothing_fires_because_it_would_come_late() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.LinkChanged, False)

    assert lines(stage.motion()) == [("refused", "no-link", None)]


# --- the rule that clears last


def row(gap_ms: int, patience_ms: int = 3000, cooldown_ms: int = 1000) -> Stage:
    calm = (Behaviour("growl", 4000, patience_ms=patience_ms),)
    things = (
        prop(behaviours=calm, cooldown_ms=cooldown_ms, neighbours=("well",)),
        prop("well", "b2", behaviours=calm, cooldown_ms=cooldown_ms, neighbours=("gate",)),
    )
    return Stage(show(*things, sensor(), sensor("mat", "well", "b2"), gap_ms=gap_ms))


@pytest.mark.parametrize(
    ("gap_ms", "reason", "left_ms"),
    [(7000, "cooldown", 9000), (12_000, "stagger", 11_500), (9500, "cooldown", 9000)],
    ids=["cooldown later", "stagger later", "both at once: table order"],
)
def test_of_the_rules_that_bar_the_one_that_clears_last_decides(
    gap_ms: int, reason: str, left_ms: int
) -> None:
    stage = row(gap_ms, patience_ms=100, cooldown_ms=10_000)
    stage.plays()
    stage.wait(500)
    stage.do(events.FiredByHand, "well", "k1")  # at 4500
    stage.wait(500)

    assert lines(stage.motion()) == [("refused", reason, left_ms)]


# --- patience


def test_a_trigger_waits_as_long_as_the_longest_patience_of_a_behaviour() -> None:
    for left_ms, verdict in ((6000, []), (6001, [("refused", "cooldown")])):
        stage = resting(left_ms, SHORT, LONG)
        assert verdicts(stage.motion()) == verdict


def test_a_startle_that_comes_late_is_not_among_the_choices() -> None:
    stage = resting(1501, LONG, replace(SHORT, weight=10**9))
    played = set()
    for _ in range(8):
        stage.motion()
        assert verdicts(stage.wait(1501)) == FIRED
        played.add(stage.cues[-1].behaviour)
        stage.wait(1000)
        stage.finish()
        stage.wait(10_000 - 1501)

    assert played == {"moan"}


def test_a_startle_is_in_time_when_its_own_patience_ends_just_then() -> None:
    for left_ms, verdict in ((1500, []), (1501, [("refused", "cooldown")])):
        stage = resting(left_ms, SHORT)
        assert verdicts(stage.motion()) == verdict
    stage = resting(1500, SHORT)
    stage.motion()

    assert verdicts(stage.wait(1500)) == FIRED


def test_a_trigger_waits_no_longer_than_the_patience_of_what_the_phase_allows() -> None:
    wild = Behaviour("leap", 1000, patience_ms=6000, intensity=5)
    stage = resting(2000, SHORT, wild)
    assert stage.arbiter.night.props["gate"].patience_ms == 6000
    stage.do(events.PhaseByHand, "gentle")

    assert lines(stage.motion()) == [("refused", "cooldown", 2000)]


def test_a_phase_that_takes_the_patient_behaviour_away_ends_the_wait() -> None:
    wild = Behaviour("leap", 1000, patience_ms=6000, intensity=5)
    stage = resting(5000, SHORT, wild)
    stage.motion()
    stage.wait(2000)

    assert lines(stage.do(events.PhaseByHand, "gentle")) == [("lapsed", "cooldown", 3000)]


def test_a_phase_that_begins_as_the_prop_is_free_lets_the_late_trigger_lapse() -> None:
    wild = Behaviour("leap", 1000, patience_ms=6000, intensity=5)
    minute = TimeOfDay(17 * 60 + 1)
    gentle = CalendarSpec(phases=(PhaseSpec("gentle", minute, TimeOfDay(1320), max_intensity=2),))
    stage = Stage(
        show(prop(behaviours=(SHORT, wild), cooldown_ms=59_000), sensor(), calendar=gentle)
    )
    stage.plays(ms=1000)
    stage.wait(54_000)
    assert stage.motion() == []

    assert lines(stage.wait(5000)) == [("lapsed", "stale", 3500)]


def test_a_report_too_late_for_what_the_phase_allows_is_stale() -> None:
    wild = Behaviour("leap", 1000, patience_ms=6000, intensity=5)
    stage = Stage(show(prop(behaviours=(SHORT, wild)), sensor()))
    stage.do(events.PhaseByHand, "gentle")

    assert lines(stage.motion(age_ms=1501)) == [("refused", "stale", 1)]
    assert verdicts(stage.motion(age_ms=1500)) == FIRED


def test_shorter_patience_in_new_settings_ends_a_wait_that_is_over() -> None:
    stage = resting(3000)
    stage.motion()
    stage.wait(2000)
    quicker = prop(behaviours=(Behaviour("growl", 4000, patience_ms=1000),), cooldown_ms=1000)

    decisions = stage.do(events.ShowChanged, show(quicker, sensor()))

    assert lines(decisions) == [("lapsed", "stale", 1000)]


# --- looked at again


def test_a_waiting_trigger_fires_as_soon_as_a_person_shortens_the_rest() -> None:
    stage = resting(3000)
    stage.motion()
    stage.wait(500)

    decisions = stage.do(events.ShowChanged, show(prop(cooldown_ms=2000), sensor()))

    assert [(each.outcome, each.waited_ms) for each in decisions] == [("fired", 500)]


def test_a_waiting_trigger_lapses_with_the_rule_that_bars_it_then() -> None:
    stage = row(8000)
    stage.plays()
    stage.wait(500)
    assert stage.motion() == []  # rests 500 more
    stage.wait(200)

    decisions = stage.do(events.FiredByHand, "well", "k1")

    assert [(each.prop, *line) for each, line in zip(decisions, lines(decisions), strict=True)] == [
        ("well", "fired", None, None),
        ("gate", "lapsed", "stagger", 8000),
    ]


def test_a_never_rule_met_while_waiting_refuses() -> None:
    stage = resting(3000)
    stage.motion()

    assert verdicts(stage.do(events.LinkChanged, False)) == [("refused", "no-link")]


def test_an_earlier_end_than_planned_lets_a_waiting_neighbour_speak_at_once() -> None:
    say = (Behaviour("say", 4000, voice=True),)
    things = (
        prop(behaviours=say, voice_neighbours=("well",)),
        prop("well", "b2", behaviours=say, voice_neighbours=("gate",)),
    )
    stage = Stage(show(*things, sensor(), sensor("mat", "well", "b2")))
    stage.motion()
    stage.wait(2000)
    stage.motion("mat")
    stage.wait(1000)

    assert [each.prop for each in stage.finish()] == ["well"]


# --- left


def standing(kind_stays: bool, fresh_ms: int = 2000) -> Stage:
    eye = sensor(stays=kind_stays, fresh_ms=fresh_ms)
    stage = Stage(show(prop(), eye))
    stage.plays()
    stage.wait(7000)
    stage.motion()
    return stage


def test_a_group_that_the_sensor_no_longer_sees_has_left() -> None:
    stage = standing(kind_stays=True)

    assert lines(stage.wait(3000)) == [("lapsed", "left", None)]


def test_a_group_that_the_sensor_still_reports_is_there_even_if_the_report_is_blocked() -> None:
    stage = standing(kind_stays=True)
    stage.wait(1000)
    assert verdicts(stage.motion()) == [("refused", "already-waiting")]

    assert verdicts(stage.wait(2000)) == FIRED
    blocked = Stage(show(prop(), sensor(stays=True, block_ms=2500)))
    blocked.plays()
    blocked.wait(7000)
    blocked.motion()
    blocked.wait(1000)
    assert verdicts(blocked.motion()) == [("refused", "block-time")]
    assert verdicts(blocked.wait(2000)) == FIRED


def test_a_sensor_that_reports_once_as_one_passes_cannot_tell_who_left() -> None:
    stage = standing(kind_stays=False)

    assert verdicts(stage.wait(3000)) == FIRED


def test_freshness_includes_its_last_instant() -> None:
    assert verdicts(standing(kind_stays=True, fresh_ms=3000).wait(3000)) == FIRED
    assert verdicts(standing(kind_stays=True, fresh_ms=2999).wait(3000)) == [("lapsed", "left")]


def test_freshness_is_counted_on_top_of_the_walk() -> None:
    stage = Stage(show(prop(), sensor(stays=True, links=(Link("gate", 5000),)), sensor("mat")))
    stage.plays("mat")
    stage.wait(3000)
    stage.motion()

    assert verdicts(stage.wait(5000 + 2000)) == FIRED


def test_a_sensor_that_stays_high_says_that_they_are_still_there() -> None:
    stage = standing(kind_stays=True)
    stage.wait(1500)
    stage.do(events.BoardHealth, "b1", BOOT, 0, None, (("pir", 1500),))

    assert verdicts(stage.wait(1500)) == FIRED


def test_a_report_that_was_long_under_way_and_finds_the_prop_free_did_not_wait() -> None:
    stage = Stage(show(prop(), sensor(stays=True)))

    assert verdicts(stage.motion(age_ms=2900)) == FIRED


# --- the order at one instant


def test_at_one_instant_priority_comes_first_then_the_longest_idle_then_arrival() -> None:
    names = ("a", "b", "c", "d")
    links = tuple(Link(name, 1000) for name in names)
    near = {name: tuple(n for n in names if n != name) for name in names}
    ranks = {"a": 0, "b": 0, "c": 0, "d": 5}
    stage = Stage(
        show(
            *(
                prop(n, f"b-{n}", priority=ranks[n], neighbours=near[n], cooldown_ms=0)
                for n in names
            ),
            sensor(links=links, board="b-a"),
            gap_ms=1000,
        )
    )
    stage.do(events.FiredByHand, "a", "k1")
    stage.wait(5000)
    stage.motion()
    stage.wait(1000)
    fired = [stage.cues[-1].prop]
    for _ in range(3):
        stage.wait(1000)
        fired.append(stage.cues[-1].prop)

    assert fired == ["d", "b", "c", "a"]


def test_timers_due_at_an_instant_go_before_an_event_at_it() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 1000),)), sensor("mat")))
    stage.motion()
    stage.now += 1000

    decisions = stage.motion("mat")

    assert [(each.sensor, each.outcome, each.reason) for each in decisions] == [
        ("pir", "fired", None),
        ("mat", "refused", "playing"),
    ]


@pytest.mark.parametrize("count", [64, 65])
def test_no_more_than_64_triggers_walk_towards_one_prop(count: int) -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 60_000),))))

    decisions = [stage.motion() for _ in range(count)]

    assert decisions[63] == []
    assert [verdicts(each) for each in decisions[64:]] == [[("refused", "already-waiting")]] * (
        count - 64
    )


def test_an_event_stamped_before_the_last_look_does_not_shift_the_calendar() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.wait(5000)
    stage.now -= 40
    stage.motion()
    stage.now += 40
    decisions = stage.wait(100) + stage.do(events.FiredByHand, "gate", "k1")

    assert {each.wall_ms - each.at_ms for each in stage.decisions} == {stage.offset}
    assert decisions[-1].reason == "playing"
