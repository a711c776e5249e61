"""Goal: a hand overrules closed, already-waiting, cooldown, hourly-cap, stagger; nothing else.

Method: every rule that can bar a prop is made to bar it, and a hand asks.
"""

from collections.abc import Callable

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, QuietSpec, TimeOfDay
from haunt.core.rules import RULES
from haunt.core.show import Behaviour, LoadSpec
from tests.core.stage import BOOT, Stage, lines, prop, sensor, show, verdicts

DAY = (TimeOfDay(0), TimeOfDay(0))


def garden() -> Stage:
    talk = (Behaviour("talk", 4000, 6000, 3000, 3, 70, 1000, 1000, voice=True, draws=((0, 6),)),)
    hog = (Behaviour("hog", 9000, voice=True), Behaviour("draw", 9000, draws=((0, 6),)))
    gate = prop(
        behaviours=talk,
        neighbours=("well",),
        voice_neighbours=("well",),
        hourly_cap=3,
        duty_permille=15,
        retire_percent=20,
    )
    well = prop("well", "b2", behaviours=hog, neighbours=("gate",), voice_neighbours=("gate",))
    calendar = CalendarSpec()
    loads = (LoadSpec("supply", "s", 10),)
    return Stage(show(gate, well, sensor(), loads=loads, gap_ms=5000, calendar=calendar))


def hand(stage: Stage, prop: str = "gate", **more: object) -> list[tuple[str, str | None]]:
    """Return what the hand got; others may be decided by it too."""
    return verdicts(stage.do(events.FiredByHand, prop, f"k{stage.now}", **more))[:1]


def closed(stage: Stage) -> None:
    stage.do(events.DoorsSet, "closed")


def waiting(stage: Stage) -> None:
    stage.plays()
    stage.wait(5000)
    stage.motion()
    assert stage.arbiter.night.props["gate"].waiting is not None


def resting(stage: Stage) -> None:
    stage.plays()


def capped(stage: Stage) -> None:
    for n in range(3):
        stage.do(events.FiredByHand, "gate", f"c{n}")
        stage.wait(4000)
        stage.finish()
    stage.wait(700_000)
    assert verdicts(stage.motion()) == [("refused", "hourly-cap")]


def staggered(stage: Stage) -> None:
    stage.do(events.FiredByHand, "well", "w1", "hog")
    stage.finish("well")


@pytest.mark.parametrize("barred", [closed, waiting, resting, capped, staggered])
def test_a_hand_overrules(barred: object) -> None:
    stage = garden()
    barred(stage)  # type: ignore[operator]

    assert hand(stage) == [("fired", None)]


def playing(stage: Stage) -> None:
    stage.motion()


def dutied(stage: Stage) -> None:
    for n in range(3):
        stage.do(events.FiredByHand, "gate", f"d{n}")
        stage.wait(4000)
        stage.finish()


def quieted(stage: Stage) -> None:
    spec = stage.arbiter.night.show
    hush = CalendarSpec(quiet=(QuietSpec(*DAY, max_level_dba=60),))
    more = {"loads": spec.loads, "gap_ms": spec.gap_ms, "calendar": hush}
    stage.do(events.ShowChanged, show(*spec.props, *spec.sensors, **more))


def flat(stage: Stage) -> None:
    for _ in range(7):
        stage.do(events.BoardHealth, "b1", BOOT, 0, 5)


BARS: dict[str, Callable[[Stage], object]] = {
    "stopped": lambda stage: stage.do(events.Stopped),
    "walk-test": lambda stage: stage.do(events.WalkTest, True),
    "held": lambda stage: stage.do(events.Held, "gate"),
    "locked-out": lambda stage: stage.do(events.LockedOut, "gate", True, "Ada"),
    "out-of-service": lambda stage: stage.do(events.ServiceChanged, "gate", True),
    "offline": lambda stage: stage.do(events.BoardGone, "b1"),
    "no-link": lambda stage: stage.do(events.LinkChanged, False),
    "low-battery": flat,
    "playing": playing,
    "duty": dutied,
    "audience": lambda stage: stage.do(events.PhaseByHand, "gentle"),
    "quiet-hours": quieted,
    "talk-over": lambda stage: stage.do(events.FiredByHand, "well", "w1", "hog"),
    "supply": lambda stage: stage.do(events.FiredByHand, "well", "w1", "draw"),
}


@pytest.mark.parametrize("reason", BARS)
def test_a_hand_does_not_overrule(reason: str) -> None:
    stage = garden()
    BARS[reason](stage)

    assert hand(stage) == [("refused", reason)]


def test_every_rule_of_prop_and_show_was_tried_by_hand_or_follows_from_another() -> None:
    overruled = {"closed", "already-waiting", "cooldown", "hourly-cap", "stagger"}
    never_for_a_hand = {"stale"}  # a hand's order has no age
    same_code_as_supply = {"flash", "sound-limit"}
    barring = {rule.reason for rule in RULES if rule.scope != "sensor"}

    assert {rule.reason for rule in RULES if rule.hand_overrules} == overruled
    assert barring == overruled | never_for_a_hand | same_code_as_supply | set(BARS)


def test_in_a_walk_test_a_hand_fires_with_hands_clear() -> None:
    stage = garden()
    stage.do(events.WalkTest, True)

    assert hand(stage, hands_clear=True) == [("fired", None)]


def test_hands_clear_does_not_overrule_a_stop() -> None:
    stage = garden()
    stage.do(events.WalkTest, True)
    stage.do(events.Stopped)

    assert hand(stage, hands_clear=True) == [("refused", "stopped")]


def test_a_hand_never_waits() -> None:
    stage = garden()
    stage.motion()
    stage.wait(4400)

    assert lines(stage.do(events.FiredByHand, "gate", "k1"))[0][:2] == ("refused", "playing")
    assert stage.wait(60_000) == []


def test_a_repeated_request_changes_nothing_and_the_key_is_the_cue() -> None:
    stage = garden()
    stage.do(events.FiredByHand, "gate", "k1")
    stage.wait(60_000)

    assert stage.do(events.FiredByHand, "gate", "k1") == []
    assert [cue.cue for cue in stage.cues] == ["k1"]


def test_a_hand_chooses_its_behaviour() -> None:
    stage = garden()
    hand(stage, "well", behaviour="draw")

    assert stage.cues[-1].behaviour == "draw"


def test_an_order_by_hand_is_a_decision_of_its_own_and_no_motion() -> None:
    stage = garden()
    [decision] = stage.do(events.FiredByHand, "gate", "k1")

    assert (decision.source, decision.motion, decision.sensor) == ("hand", None, None)
    assert stage.arbiter.night.owed == stage.arbiter.night.fired == 0


def test_a_hand_before_a_waiting_trigger_makes_it_lapse_or_wait_on() -> None:
    stage = garden()
    waiting(stage)

    [fired, lapsed] = stage.do(events.FiredByHand, "gate", "k1")

    assert (fired.source, fired.outcome) == ("hand", "fired")
    assert (lapsed.source, lapsed.outcome, lapsed.reason) == ("motion", "lapsed", "playing")
