"""Goal: the way from a motion to its one decision, as people in the garden would see it.

Method: one or a few props on the virtual clock; each test is one claim.
"""

from itertools import pairwise

from haunt.core import events
from haunt.core.decisions import Decision, MotionKey, Outcome, SendCue, Source, TellStop
from haunt.core.show import Behaviour, Link
from tests.core.stage import BOOT, EVENING, Stage, prop, sensor, show, verdicts


def test_a_ready_prop_fires_at_once() -> None:
    stage = Stage(show(prop(), sensor()))

    assert verdicts(stage.motion()) == [("fired", None)]
    assert stage.cues[0].behaviour == "growl"
    assert stage.cues[0].max_ms == 4500


def test_a_start_is_told_whole_to_the_journal_and_to_its_own_board() -> None:
    stage = Stage(show(prop("well", "b2"), sensor(to="well", links=(Link("well", 1000),))))
    stage.motion()
    stage.wait(1000)
    cue = f"b1-{BOOT}-1-well"
    epoch = stage.arbiter.night.epoch

    assert stage.effects == [
        Decision(
            stage.now,
            EVENING + 1000,
            Source.MOTION,
            MotionKey("b1", BOOT, 1),
            "pir",
            "well",
            Outcome.FIRED,
            None,
            "growl",
            cue,
            0,
            None,
        ),
        SendCue("b2", cue, epoch, "well", "growl", 4500, stage.now, None),
    ]


def refused(stage: Stage, why: str, prop: str | None, margin: int | None, **more: int) -> Decision:
    """Say all that a refusal of the first motion of the board tells when it is decided on arrival.

    It names no behaviour and no cue: nothing was sent.
    """
    return Decision(
        stage.now,
        stage.now + stage.offset,
        Source.MOTION,
        MotionKey("b1", BOOT, 1),
        "pir",
        prop,
        Outcome.REFUSED,
        why,
        None,
        None,
        more.get("waited_ms", 0),
        margin,
    )


def test_a_refusal_at_the_sensor_is_told_whole_and_from_when_the_visitor_was_there() -> None:
    for age_ms, waited_ms in ((1700, 700), (1000, 0), (999, 0), (0, 0)):
        stage = Stage(show(prop(), sensor(links=(Link("gate", 1000),))))
        stage.do(events.Muted, "pir", True, 5000)

        [decision] = stage.motion(age_ms=age_ms)

        assert decision == refused(stage, "muted", "gate", 5000, waited_ms=waited_ms)


def test_who_comes_the_wrong_way_is_told_whole() -> None:
    link = Link("gate", 1000, after="kerb", within_ms=5000)
    stage = Stage(show(prop(), sensor(links=(link,)), sensor("kerb", links=())))

    assert stage.motion(age_ms=1700) == [refused(stage, "wrong-way", "gate", None, waited_ms=700)]


def test_a_motion_that_no_prop_is_meant_by_is_told_whole() -> None:
    stage = Stage(show(prop(), sensor(links=())))
    assert stage.motion(age_ms=500) == [refused(stage, "no-prop", None, None)]

    stage = Stage(show(prop(), sensor(links=())))
    stage.do(events.Muted, "pir", True, 5000)
    assert stage.motion() == [refused(stage, "muted", None, 5000)]

    stage = Stage(show(prop(), sensor("mat")))
    [decision] = stage.do(events.Motion, "b1", "pir", BOOT, 1)
    assert decision == refused(stage, "unknown-sensor", None, None)


def test_a_show_without_props_hears_its_sensors() -> None:
    stage = Stage(show(sensor(links=())))

    assert verdicts(stage.motion()) == [("refused", "no-prop")]


def test_a_motion_delivered_twice_counts_once() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion(seq=7)

    assert stage.motion(seq=7) == []
    assert len(stage.cues) == 1
    assert stage.arbiter.night.duplicates == 1


def test_a_playing_prop_refuses_and_says_how_long_it_still_needs() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(1000)

    [decision] = stage.motion()

    assert (decision.outcome, decision.reason, decision.margin) == ("refused", "playing", 13_500)


def test_a_cooling_prop_refuses_and_says_how_long_it_still_needs() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(4000)
    stage.finish()
    stage.wait(6800)

    [decision] = stage.motion()

    assert (decision.outcome, decision.reason, decision.margin) == ("refused", "cooldown", 3200)


def test_a_trigger_waits_out_a_cooldown_that_ends_within_patience() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(4000)
    stage.finish()
    stage.wait(7000)

    assert stage.motion() == []
    [decision] = stage.wait(3000)

    assert (decision.outcome, decision.waited_ms) == ("fired", 3000)


def test_patience_that_ends_just_then_is_enough_and_one_ms_less_is_not() -> None:
    for early_ms, outcome in ((7000, []), (6999, [("refused", "cooldown")])):
        stage = Stage(show(prop(), sensor()))
        stage.motion()
        stage.wait(4000)
        stage.finish()
        stage.wait(early_ms)
        assert verdicts(stage.motion()) == outcome


def test_a_second_trigger_is_refused_while_one_waits() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(4000)
    stage.finish()
    stage.wait(8000)
    stage.motion()

    assert verdicts(stage.motion()) == [("refused", "already-waiting")]


def test_a_neighbour_is_staggered_and_fires_when_it_clears() -> None:
    stage = Stage(
        show(
            prop(neighbours=("well",)),
            prop("well", "b2", neighbours=("gate",)),
            sensor(),
            sensor("mat", "well", "b2"),
            gap_ms=2000,
        )
    )
    stage.motion()
    stage.wait(500)

    assert stage.motion("mat") == []
    [decision] = stage.wait(1500)

    assert (decision.prop, decision.outcome, decision.waited_ms) == ("well", "fired", 1500)


def test_stop_decides_everything_under_way_and_bars_all_that_follows() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.wait(4000)
    stage.finish()
    stage.wait(8000)
    stage.motion()

    assert verdicts(stage.do(events.Stopped)) == [("refused", "stopped")]
    assert verdicts(stage.motion()) == [("refused", "stopped")]
    assert stage.stops == [TellStop(True, stage.arbiter.night.epoch, stage.now)]


def test_release_counts_five_seconds_and_raises_the_epoch() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.do(events.Stopped)
    stopped = stage.stops[-1].epoch
    stage.do(events.StopReleased)
    stage.wait(4999)
    assert verdicts(stage.motion()) == [("refused", "stopped")]
    stage.wait(1)

    assert (stage.stops[-1].stopped, stage.stops[-1].epoch) == (False, stopped + 1)
    assert verdicts(stage.motion(age_ms=1)) == [("refused", "stopped")]
    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_refused_cue_undoes_the_start() -> None:
    stage = Stage(show(prop(), sensor()))
    stage.motion()
    stage.finish(state="refused", why="late")
    stage.wait(1)

    assert verdicts(stage.motion()) == [("fired", None)]


def test_behaviours_do_not_repeat_where_there_is_another() -> None:
    several = (Behaviour("growl", 1000), Behaviour("howl", 1000), Behaviour("sigh", 1000))
    stage = Stage(show(prop(behaviours=several, cooldown_ms=0), sensor()))
    for _ in range(40):
        stage.motion()
        stage.wait(1000)
        stage.finish()
    played = [cue.behaviour for cue in stage.cues]

    assert len(played) == 40
    assert set(played) == {"growl", "howl", "sigh"}
    assert all(a != b for a, b in pairwise(played))


def test_in_a_saturated_row_the_middle_prop_does_not_starve() -> None:
    names = ("left", "mid", "right")
    ties = {"left": ("mid",), "mid": ("left", "right"), "right": ("mid",)}
    stage = Stage(
        show(
            *(
                prop(
                    n,
                    f"b{i}",
                    cooldown_ms=500,
                    neighbours=ties[n],
                    behaviours=(Behaviour("a", 1000),),
                )
                for i, n in enumerate(names)
            ),
            *(sensor(f"s{i}", n, f"b{i}") for i, n in enumerate(names)),
            gap_ms=8000,
        )
    )
    starts = dict.fromkeys(names, 0)
    for _ in range(3600):
        for i in (0, 2, 1):
            stage.motion(f"s{i}")
            stage.wait(333)
        for name in names:
            if stage.arbiter.night.props[name].play is not None:
                stage.finish(name)
    for cue in stage.cues:
        starts[cue.prop] += 1

    assert min(starts.values()) >= 0.8 * max(starts.values()), starts
