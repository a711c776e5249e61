"""Goal: where the table of rules is silent, what was decided for the person in the yard holds.

Method: evenings in short, by hand, on the virtual clock. The decisions stand in DEVELOPERS.md.
"""

from dataclasses import replace

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, TimeOfDay
from haunt.core.show import Behaviour
from tests.core.stage import EVENING, Stage, prop, sensor, show, verdicts


def arrive(stage: Stage, people: int, apart_ms: int) -> list[tuple[str, str | None]]:
    """Let people pass the sensor one after the other; what became of each."""
    for _ in range(people):
        stage.motion()
        stage.wait(apart_ms)
    stage.wait(10_000)
    return verdicts(stage.decisions)


def test_a_group_of_eight_at_one_prop_is_one_visit() -> None:
    stage = Stage(show(prop(), sensor(block_ms=500, lull_ms=3000)))

    assert arrive(stage, 8, 700) == [("fired", None), *[("refused", "lingering")] * 7]


def test_a_group_of_eight_at_a_beam_waits_only_once() -> None:
    quick = prop(behaviours=(Behaviour("growl", 2000),), cooldown_ms=1500)
    stage = Stage(show(quick, sensor(block_ms=300)))

    # The first has until 2.5 s and rests until 4 s; the second comes at 1 s and waits its 3 s.
    assert arrive(stage, 4, 1000) == [
        ("fired", None),
        ("refused", "already-waiting"),
        ("refused", "already-waiting"),
        ("fired", None),
    ]
    assert [each.waited_ms for each in stage.decisions] == [0, 0, 0, 3000]


def test_the_first_of_a_group_is_told_the_reason_that_the_others_hide() -> None:
    stage = Stage(show(prop(), sensor(board="b2", lull_ms=3000)))
    stage.do(events.BoardGone, "b1")

    assert arrive(stage, 3, 700) == [
        ("refused", "offline"),
        ("refused", "lingering"),
        ("refused", "lingering"),
    ]


def test_what_never_passes_is_named_before_what_would() -> None:
    """The prop rests and is held: telling "10 s left" would send somebody waiting for nothing."""
    stage = Stage(show(prop(), sensor()))
    stage.plays()
    stage.do(events.Held, "gate")

    assert verdicts(stage.motion()) == [("refused", "held")]


def test_a_short_hold_while_playing_costs_no_visitor_after_it() -> None:
    stage = Stage(show(prop(cooldown_ms=0), sensor()))
    stage.motion()
    stage.do(events.Held, "gate", 2000)
    stage.wait(4000)
    stage.finish()

    assert verdicts(stage.motion()) == [("fired", None)]


def late_phase(factor_permille: int) -> Stage:
    """Build a night whose stretched phase ends 13 s after a play began at the evening's start."""
    begins = TimeOfDay(EVENING // 60_000 % 1440)
    slow = PhaseSpec(
        "slow", TimeOfDay(begins.minutes - 60), begins, cooldown_permille=factor_permille
    )
    one = replace(show(prop(cooldown_ms=8000), sensor()), calendar=CalendarSpec(phases=(slow,)))
    return Stage(one, wall=EVENING - 13_000)


def test_the_end_of_a_phase_is_noticed_when_the_prop_is_next_looked_at() -> None:
    """A stretched rest of 10 s: it ends at 14 s. The phase ends at 13 s, the wait goes on to 14."""
    stage = late_phase(1250)
    stage.plays()
    stage.wait(8000)

    assert stage.motion() == []
    assert stage.wait(1500) == []
    assert verdicts(stage.wait(500)) == [("fired", None)]
    assert stage.decisions[-1].waited_ms == 2000


def test_who_comes_after_the_phase_has_the_plain_cooldown() -> None:
    stage = late_phase(1250)
    stage.plays()
    stage.wait(9500)  # 13.5 s: the plain rest ended at 12 s

    assert verdicts(stage.motion()) == [("fired", None)]


def test_a_behaviour_cut_short_gives_back_the_motor_time_it_did_not_use() -> None:
    """20 % of ten minutes are 120 s; ten plays of 10 s that were cut to 4 s use 40 s."""
    arm = Behaviour("sweep", 10_000, motor_on_ms=10_000)
    stage = Stage(show(prop(behaviours=(arm,), cooldown_ms=0, duty_permille=200), sensor()))
    for _ in range(10):
        stage.plays(ms=4000)
        stage.wait(1000)

    assert stage.arbiter.night.props["gate"].on_total_ms == 40_000
    assert verdicts(stage.motion()) == [("fired", None)]


def test_what_is_told_late_of_before_the_prop_moved_was_a_visitor_all_the_same() -> None:
    for age_ms, verdict in ((1102, [("fired", None)]), (1101, [("refused", "self-trigger")])):
        eye = sensor("eye", "well", sees=("gate",), settle_ms=800)
        stage = Stage(show(prop(), prop("well", cooldown_ms=0), sensor(), eye))
        stage.wait(1000)
        stage.plays(ms=1000)
        stage.wait(101)

        assert verdicts(stage.motion("eye", age_ms=age_ms)) == verdict


def test_the_release_of_all_reaches_those_that_stand_behind_it() -> None:
    """What could hurt someone keeps its own hold; that is no reason to hold those after it."""
    stage = Stage(show(prop(arm_by_hand=True), prop("well", "b2"), sensor()))
    stage.do(events.Held)
    stage.do(events.HoldReleased, None)

    assert verdicts(stage.do(events.FiredByHand, "well", "k1")) == [("fired", None)]
    assert verdicts(stage.motion()) == [("refused", "held")]
