"""Goal: among several behaviours one is found wherever one may play, and only there.

Method: props with two or three, that share a limit or a motor's ten minutes with what plays or
played; in either order, for the order in which a file has them means nothing.
"""

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, TimeOfDay
from haunt.core.show import Behaviour, LoadSpec
from tests.core.stage import Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]
WINDOW_MS = 600_000


def beside(playing: Behaviour, *choice: Behaviour) -> Stage:
    """Return a stage on which one prop plays, and another has a choice, of a supply of 1,000."""
    stage = Stage(
        show(
            prop(behaviours=choice, cooldown_ms=0),
            prop("well", "b2", behaviours=(playing,)),
            sensor(),
            sensor("mat", "well", "b2"),
            loads=(LoadSpec("supply", "psu", 1000),),
        )
    )
    stage.motion("mat")
    return stage


@pytest.mark.parametrize("order", [1, -1])
def test_of_two_behaviours_the_one_that_just_fits_beside_what_plays_is_taken(order: int) -> None:
    """300 play. In whatever order they stand, 700 fit and 701 do not."""
    both = tuple(Behaviour(f"a{n}", 1000, draws=((0, n),)) for n in (700, 701))[::order]
    stage = beside(Behaviour("glow", 60_000, draws=((0, 300),)), *both)
    for _ in range(12):
        assert verdicts(stage.motion()) == FIRED
        stage.wait(1000)
        stage.finish()

    assert {cue.behaviour for cue in stage.cues[1:]} == {"a700"}


@pytest.mark.parametrize("order", [1, -1])
def test_room_for_one_behaviour_is_room_whatever_the_others_need(order: int) -> None:
    """All 1,000 play for 2.5 s more. Then there is room for 600, and never for 1,001."""
    both = tuple(Behaviour(f"a{n}", 1000, draws=((0, n),)) for n in (600, 1001))[::order]
    stage = beside(Behaviour("glow", 2000, draws=((0, 1000),)), *both)

    assert lines(stage.do(events.FiredByHand, "gate", "k1")) == [("refused", "supply", 2500)]
    assert stage.motion() == []
    assert verdicts(stage.wait(2500)) == FIRED


def test_a_motor_that_needs_two_of_its_runs_forgotten_is_told_when_the_second_is() -> None:
    """Six seconds in ten minutes. After runs of one and of two, 4.001 s are 1.001 s too many."""
    runs = tuple(Behaviour(f"r{n}", n, motor_on_ms=n) for n in (1000, 2000))
    long = Behaviour("long", 5000, motor_on_ms=4001)
    stage = Stage(show(prop(behaviours=(*runs, long), cooldown_ms=0, duty_permille=10), sensor()))
    for run in runs:
        began = stage.now
        stage.do(events.FiredByHand, "gate", run.id, run.id)
        stage.wait(run.duration_ms)
        stage.finish()

    # The first run whole, and one millisecond of the second, must have left the ten minutes.
    margin = began + 1 + WINDOW_MS - 5000 - stage.now
    assert lines(stage.do(events.FiredByHand, "gate", "k", "long")) == [("refused", "duty", margin)]
    stage.wait(margin - 1)
    assert lines(stage.do(events.FiredByHand, "gate", "l", "long")) == [("refused", "duty", 1)]
    stage.wait(1)
    assert verdicts(stage.do(events.FiredByHand, "gate", "m", "long")) == FIRED


def test_where_not_one_run_more_fits_nothing_is_left_to_spread() -> None:
    """3.5 of 6 s are used and a run takes three: the rule itself says when, and no rest does."""
    turn = (Behaviour("turn", 4000, motor_on_ms=3000),)
    stage = Stage(show(prop(behaviours=turn, cooldown_ms=0, duty_permille=10), sensor()))
    for key, ms in (("k1", 4000), ("k2", 500)):
        stage.do(events.FiredByHand, "gate", key)
        stage.wait(ms)
        stage.finish()

    assert stage.arbiter.night.props["gate"].spread_ms == 0


def test_every_visitor_of_a_phase_that_bars_all_is_told_so() -> None:
    calm = PhaseSpec("calm", TimeOfDay(0), TimeOfDay(0), max_intensity=3)
    howl = (Behaviour("howl", 1000, intensity=5),)
    stage = Stage(show(prop(behaviours=howl), sensor(), calendar=CalendarSpec(phases=(calm,))))

    assert [verdicts(stage.motion()) for _ in range(3)] == [[("refused", "audience")]] * 3


def test_the_least_weight_is_drawn_and_none_is_not() -> None:
    never, least = Behaviour("never", 1000, weight=0), Behaviour("least", 1000, weight=1)
    for seq in range(1, 9):
        stage = Stage(show(prop(behaviours=(never, least)), sensor()))
        stage.motion(seq=seq)

        assert stage.cues[-1].behaviour == "least"


def test_a_prop_that_has_no_behaviour_yet_keeps_no_other_from_playing() -> None:
    """People enter a prop first and what it does after that."""
    empty = prop("well", behaviours=())
    stage = Stage(show(prop(), empty, sensor(), sensor("mat", "well")))

    assert [each.outcome for each in stage.motion("mat")] == ["refused"]
    assert verdicts(stage.motion()) == FIRED
