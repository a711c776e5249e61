"""Goal: what a sensor's own rules say of a motion, before any prop is asked.

Method: one sensor on the virtual clock, each rule at its edge: the last instant it bars and the
first it does not.
"""

import pytest

from haunt.core import events
from haunt.core.show import Behaviour, Link, PropSpec
from tests.core.stage import BOOT, Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]


def quick() -> PropSpec:
    return prop(cooldown_ms=0)


def test_a_sensor_that_nobody_entered_gets_one_decision_without_a_prop() -> None:
    stage = Stage(show(prop(), sensor()))

    [decision] = stage.motion("ghost")

    assert (decision.outcome, decision.reason) == ("refused", "unknown-sensor")
    assert (decision.sensor, decision.prop) == ("ghost", None)


def test_a_sensor_reported_by_another_board_than_its_own_is_unknown() -> None:
    stage = Stage(show(prop(), sensor(), prop("well", "b2")))

    decisions = stage.do(events.Motion, "b2", "pir", BOOT, 1)

    assert verdicts(decisions) == [("refused", "unknown-sensor")]


def test_a_board_that_nobody_entered_is_journalled_once_and_not_twice() -> None:
    stage = Stage(show(prop(), sensor()))

    first = stage.do(events.Motion, "b9", "pir", BOOT, 1)
    again = stage.do(events.Motion, "b9", "pir", BOOT, 1)

    assert verdicts(first) == [("refused", "unknown-sensor")]
    assert again == []


def test_a_sensor_without_links_gets_one_decision_without_a_prop() -> None:
    stage = Stage(show(prop(), sensor(links=())))

    [decision] = stage.motion()

    assert (decision.reason, decision.prop, decision.sensor) == ("no-prop", None, "pir")


def test_a_sensor_rule_gives_one_decision_for_each_link() -> None:
    both = (Link("gate"), Link("well", 5000))
    stage = Stage(show(prop(), prop("well", "b2"), sensor(links=both)))
    stage.do(events.Muted, "pir", True)

    decisions = stage.motion()

    assert [(each.prop, each.reason) for each in decisions] == [
        ("gate", "muted"),
        ("well", "muted"),
    ]


@pytest.mark.parametrize("seqs", [(1, 3, 2), (1, 3, 4, 2), (5, 1), (2000, 1000, 977)])
def test_motions_that_overtake_each_other_each_count_once(seqs: tuple[int, ...]) -> None:
    stage = Stage(show(prop(), sensor()))

    first = [stage.motion(seq=seq) for seq in seqs]
    again = [stage.motion(seq=seq) for seq in seqs]

    assert [len(each) for each in first] == [1] * len(seqs)
    assert again == [[]] * len(seqs)


def test_a_number_older_than_the_window_counts_as_seen() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion(seq=2000)

    assert len(stage.motion(seq=977)) == 1
    assert stage.motion(seq=976) == []


def test_a_new_boot_counts_from_one_again() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion(seq=1)

    assert len(stage.do(events.Motion, "b1", "pir", "0123456789ab", 1)) == 1


# --- muted


def test_a_muted_sensor_is_silent_until_unmuted() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Muted, "pir", True)
    stage.wait(86_400_000)

    assert lines(stage.motion()) == [("refused", "muted", None)]
    stage.do(events.Muted, "pir", False)
    assert verdicts(stage.motion()) == FIRED


def test_a_sensor_muted_for_a_time_says_what_is_left_and_comes_back_by_itself() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Muted, "pir", True, 600_000)
    stage.wait(599_999)

    assert lines(stage.motion()) == [("refused", "muted", 1)]
    stage.wait(1)
    assert verdicts(stage.motion()) == FIRED


def test_the_prop_of_a_muted_sensor_fires_by_hand_and_by_its_other_sensors() -> None:
    stage = Stage(show(quick(), sensor(), sensor("mat")))
    stage.do(events.Muted, "pir", True)

    assert verdicts(stage.motion("mat")) == FIRED
    stage.wait(5000)
    assert verdicts(stage.do(events.FiredByHand, "gate", "k1")) == FIRED


def test_who_was_seen_before_the_mute_is_still_on_the_way() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 5000),))))
    stage.motion()
    stage.do(events.Muted, "pir", True)

    assert verdicts(stage.wait(5000)) == FIRED


# --- warming up


@pytest.mark.parametrize("reset", ["power-on", "brown-out", "unknown"])
def test_a_sensor_warms_up_from_its_boards_first_word_less_its_uptime(reset: str) -> None:
    stage = Stage(show(prop(), sensor(warm_up_ms=60_000)))
    stage.do(events.BoardHere, "b1", "0123456789ab", 1000, reset)
    stage.wait(58_999)

    assert lines(stage.motion()) == [("refused", "warming-up", 1)]
    stage.wait(1)
    assert verdicts(stage.motion()) == FIRED


@pytest.mark.parametrize("reset", ["watchdog", "soft"])
def test_a_restart_that_left_the_sensor_powered_needs_no_warm_up(reset: str) -> None:
    stage = Stage(show(prop(), sensor(warm_up_ms=60_000)))
    stage.do(events.BoardHere, "b1", "0123456789ab", 1000, reset)

    assert verdicts(stage.motion()) == FIRED


def test_a_boot_first_heard_of_by_a_motion_is_understood_when_its_hello_comes() -> None:
    stage = Stage(show(prop(), sensor(warm_up_ms=60_000)))
    stage.do(events.BoardHere, "b1", "0123456789ab")
    assert verdicts(stage.motion()) == [("refused", "warming-up")]
    stage.do(events.BoardHere, "b1", "0123456789ab", 2000, "watchdog")

    assert verdicts(stage.motion()) == FIRED


def test_a_motion_is_judged_by_when_it_happened_while_warming_up() -> None:
    stage = Stage(show(prop(), sensor(warm_up_ms=60_000)))
    stage.do(events.BoardHere, "b1", "0123456789ab", 0, "power-on")
    stage.wait(61_000)

    assert lines(stage.motion(age_ms=1500)) == [("refused", "warming-up", 500)]


# --- block time


def test_block_time_ends_exactly_where_it_says() -> None:
    stage = Stage(show(prop(), sensor(block_ms=2500)))
    stage.motion()
    stage.wait(2499)

    assert lines(stage.motion()) == [("refused", "block-time", 1)]
    stage.wait(1)
    assert verdicts(stage.motion()) == [("refused", "playing")]


def test_a_motion_counts_as_accepted_whatever_its_props_decide() -> None:
    stage = Stage(show(prop(), sensor(block_ms=2500)))
    stage.do(events.Held, "gate")
    assert verdicts(stage.motion()) == [("refused", "held")]

    assert verdicts(stage.motion()) == [("refused", "block-time")]


def test_what_block_time_refused_does_not_prolong_it() -> None:
    stage = Stage(show(prop(), sensor(block_ms=2500)))
    stage.motion()
    stage.wait(2000)
    stage.motion()
    stage.wait(500)

    assert verdicts(stage.motion()) == [("refused", "playing")]


def test_a_report_that_was_overtaken_falls_into_the_same_block_time() -> None:
    stage = Stage(show(prop(), sensor(block_ms=2500)))
    stage.motion(seq=2)

    assert verdicts(stage.motion(seq=1, age_ms=1000)) == [("refused", "block-time")]


def test_an_older_report_that_comes_late_does_not_shorten_the_block_time() -> None:
    stage = Stage(show(prop(), sensor(block_ms=2500)))
    stage.wait(10_000)
    stage.motion(seq=2)
    assert verdicts(stage.motion(seq=1, age_ms=2500)) == [("refused", "playing")]
    stage.wait(2499)

    assert verdicts(stage.motion(seq=3)) == [("refused", "block-time")]


# --- lingering


def lingering_stage() -> Stage:
    return Stage(show(quick(), sensor(lull_ms=5000, lull_max_ms=45_000)))


def test_the_same_group_counts_once_until_the_sensor_was_clear_for_its_lull() -> None:
    stage = lingering_stage()
    stage.motion()
    stage.wait(4999)

    assert lines(stage.motion()) == [("refused", "lingering", 1)]
    stage.wait(4999)
    assert lines(stage.motion()) == [("refused", "lingering", 1)]
    stage.wait(5000)
    assert verdicts(stage.motion()) == FIRED


def test_a_steady_crowd_does_not_silence_a_prop_for_ever() -> None:
    stage = lingering_stage()
    stage.motion()
    for _ in range(11):
        stage.wait(4000)
        assert verdicts(stage.motion()) == [("refused", "lingering")]
    stage.wait(999)
    assert lines(stage.motion()) == [("refused", "lingering", 1)]
    stage.wait(1)

    assert verdicts(stage.motion()) == FIRED


def test_the_lull_runs_from_when_the_sensor_cleared() -> None:
    stage = lingering_stage()
    stage.motion()
    stage.wait(4000)
    stage.do(events.BoardHealth, "b1", BOOT, 0, None, (("pir", 4000),))
    stage.wait(4999)
    assert lines(stage.motion()) == [("refused", "lingering", 1)]
    stage.wait(1)
    stage.do(events.BoardHealth, "b1", BOOT, 0, None, (("pir", 4000),))
    stage.wait(4999)

    assert verdicts(stage.motion()) == FIRED


# --- wrong way


def path(block_ms: int = 0) -> Stage:
    link = Link("gate", after="kerb", within_ms=8000)
    things = (quick(), sensor(links=(link,), block_ms=block_ms), sensor("kerb", links=()))
    return Stage(show(*things))


def test_who_did_not_pass_the_sensor_before_comes_the_wrong_way() -> None:
    stage = path()

    assert lines(stage.motion()) == [("refused", "wrong-way", None)]


def test_who_passed_it_within_the_time_comes_the_right_way() -> None:
    for gap_ms, verdict in ((0, FIRED), (8000, FIRED), (8001, [("refused", "wrong-way")])):
        stage = path()
        stage.motion("kerb")
        stage.wait(gap_ms)
        assert verdicts(stage.motion()) == verdict


def test_the_sensor_before_need_only_have_seen_somebody_muted_or_not() -> None:
    stage = path()
    stage.do(events.Muted, "kerb", True)
    stage.motion("kerb")
    stage.wait(3000)

    assert verdicts(stage.motion()) == FIRED


def test_who_is_seen_there_afterwards_is_leaving() -> None:
    stage = path()
    stage.motion("kerb", age_ms=0)

    assert verdicts(stage.motion(age_ms=1)) == [("refused", "wrong-way")]


def test_a_motion_that_every_link_takes_for_leaving_is_not_accepted() -> None:
    stage = path(block_ms=2500)
    stage.motion()
    stage.motion("kerb")
    stage.wait(1000)

    assert verdicts(stage.motion()) == FIRED


def test_the_wrong_way_is_judged_link_by_link() -> None:
    both = (Link("gate", after="kerb", within_ms=8000), Link("well"))
    stage = Stage(show(prop(), prop("well"), sensor(links=both), sensor("kerb", links=())))

    assert [(each.prop, each.reason) for each in stage.motion()] == [
        ("gate", "wrong-way"),
        ("well", None),
    ]


def test_a_sensor_that_a_new_link_asks_knows_whom_it_saw_last() -> None:
    things = (quick(), sensor(), sensor("kerb", links=()))
    stage = Stage(show(*things))
    stage.motion("kerb")
    asks = Link("gate", after="kerb", within_ms=8000)
    stage.do(events.ShowChanged, show(quick(), sensor(links=(asks,)), sensor("kerb", links=())))
    stage.wait(8000)

    assert verdicts(stage.motion()) == FIRED
    stage.wait(1)
    assert lines(stage.motion()) == [("refused", "wrong-way", None)]


# --- self-trigger


def mirror(settle_ms: int = 800) -> Stage:
    eye = sensor("eye", "well", sees=("gate",), settle_ms=settle_ms)
    return Stage(show(quick(), prop("well", cooldown_ms=0), sensor(), eye))


def test_a_sensor_that_sees_a_playing_prop_does_not_believe_itself() -> None:
    stage = mirror()
    stage.motion()
    stage.wait(1000)

    assert lines(stage.motion("eye")) == [("refused", "self-trigger", 4300)]


def test_it_believes_itself_again_once_the_prop_has_settled() -> None:
    stage = mirror()
    stage.plays()
    stage.wait(799)

    assert lines(stage.motion("eye")) == [("refused", "self-trigger", 1)]
    stage.wait(1)
    assert verdicts(stage.motion("eye")) == FIRED


def test_what_happened_before_the_prop_moved_was_a_visitor() -> None:
    stage = mirror()
    stage.wait(1000)
    stage.motion()
    stage.wait(1)

    assert verdicts(stage.motion("eye", age_ms=2)) == FIRED
    stage = mirror()
    stage.motion()
    stage.wait(1)
    assert verdicts(stage.motion("eye", age_ms=1)) == [("refused", "self-trigger")]


def test_a_prop_that_settles_is_not_forgotten_because_it_starts_again() -> None:
    stage = mirror()
    stage.plays()
    stage.wait(300)
    stage.motion()
    stage.wait(100)

    assert verdicts(stage.motion("eye", age_ms=200)) == [("refused", "self-trigger")]


def test_a_prop_whose_board_refused_never_disturbed_the_sensor() -> None:
    stage = mirror()
    stage.motion()
    stage.finish(state="refused", why="late")

    assert verdicts(stage.motion("eye")) == FIRED


# --- the order of the table


def test_the_first_sensor_rule_in_the_table_gives_the_reason() -> None:
    link = Link("gate", after="kerb", within_ms=1000)
    every = sensor(
        links=(link,),
        warm_up_ms=20_000,
        block_ms=30_000,
        lull_ms=40_000,
        lull_max_ms=40_000,
        sees=("well",),
    )
    long = (Behaviour("moan", 100_000),)
    things = (prop(), prop("well", behaviours=long), every, sensor("kerb", links=()))
    stage = Stage(show(*things, sensor("mat", "well")))
    stage.motion("kerb")
    stage.motion()
    stage.do(events.BoardHere, "b1", "0123456789ab", 0, "power-on")
    stage.motion("mat")
    stage.do(events.Muted, "pir", True, 10_000)
    reasons = []
    for _ in range(5):
        stage.wait(9000)
        reasons.append(stage.motion()[0].reason)
    stage.motion("kerb")
    reasons.append(stage.motion()[0].reason)

    assert reasons == [
        "muted",
        "warming-up",
        "block-time",
        "lingering",
        "wrong-way",
        "self-trigger",
    ]
