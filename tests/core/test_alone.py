"""Goal: what a prop may play while its board hears nobody is barred by people and by the calendar.

Method: stages on which somebody holds, arms or calms; what would be told to the board is read.
"""

from haunt.core import events
from haunt.core.alone import behaviour_alone, spans_alone
from haunt.core.clockwork import CalendarSpec, PhaseSpec, TimeOfDay
from haunt.core.show import Behaviour
from tests.core.stage import EVENING, Stage, prop, sensor, show

GLOW = Behaviour("glow", 4000)
HOUR_MS = 3_600_000


def told(stage: Stage) -> str | None:
    night = stage.arbiter.night
    found = behaviour_alone(night, night.props["gate"])
    return None if found is None else found.id


def test_what_could_hurt_somebody_never_plays_alone_released_or_not() -> None:
    armed = prop(behaviours=(GLOW,), alone="glow", arm_by_hand=True)
    stage = Stage(show(armed, sensor()))
    assert told(stage) is None

    stage.do(events.HoldReleased, "gate")

    assert not stage.arbiter.night.props["gate"].held
    assert told(stage) is None


def test_a_hold_for_a_time_bars_it_for_that_time() -> None:
    stage = Stage(show(prop(behaviours=(GLOW,), alone="glow"), sensor()))
    stage.do(events.Held, "gate", 5000)
    stage.wait(4999)
    assert told(stage) is None

    stage.wait(1)

    assert told(stage) == "glow"


def test_a_behaviour_that_the_prop_does_not_have_is_not_told() -> None:
    assert told(Stage(show(prop(behaviours=(GLOW,), alone="howl"), sensor()))) is None


def test_a_gentle_phase_leaves_out_what_is_too_strong_or_flashes_too_fast() -> None:
    """From seven to eight, two hours after the stage begins, intensity 3 and three flashes."""
    calm = PhaseSpec("calm", TimeOfDay(19 * 60), TimeOfDay(20 * 60), 3, 3000)
    stage = Stage(show(prop(), sensor(), calendar=CalendarSpec(phases=(calm,))))
    seven, eight = EVENING + 2 * HOUR_MS, EVENING + 3 * HOUR_MS

    def spans(intensity: int, flash_mhz: int) -> list[tuple[int, int]]:
        glow = Behaviour("glow", 4000, intensity=intensity, flash_mhz=flash_mhz)
        return spans_alone(stage.arbiter.night, [glow])

    assert len(spans(3, 3000)) == 1
    for strong in (spans(4, 0), spans(1, 3001)):
        assert [strong[0][1], strong[1][0]] == [seven, eight]
