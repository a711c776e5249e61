"""Goal: of those who come at one instant, each has one decision, in the order that the rules say.

Method: events of the same millisecond; many of them on their way at once.
"""

import pytest

from haunt.core import events
from haunt.core.show import Behaviour, Link, LoadSpec
from tests.core.stage import Stage, lines, prop, sensor, show, verdicts

FIRED = [("fired", None)]


def test_neighbours_fired_by_hand_at_one_instant_have_no_claim_on_each_other() -> None:
    """Neither started before the other, so after the gap whoever is seen first goes first."""
    stage = Stage(
        show(
            prop("gate", neighbours=("well",), cooldown_ms=0),
            prop("well", "b2", neighbours=("gate",), cooldown_ms=0),
            sensor(),
            sensor("mat", "well", "b2"),
            gap_ms=8_000,
        )
    )
    for name in ("gate", "well"):
        stage.do(events.FiredByHand, name, name)
    stage.wait(4_000)
    stage.finish("gate")
    stage.finish("well")
    assert verdicts(stage.motion()) == [("refused", "stagger")], "so the gate has a claim"
    stage.wait(4_000)

    assert verdicts(stage.motion("mat")) == FIRED


def test_at_the_instant_at_which_a_claim_ends_it_still_comes_before_priority() -> None:
    """The well was refused between two neighbours; its next visitor comes as its turn runs out."""
    quick = (Behaviour("knock", 500, patience_ms=500),)
    stage = Stage(
        show(
            prop("gate", behaviours=quick, cooldown_ms=0, priority=5, neighbours=("well",)),
            prop("well", "b2", behaviours=quick, cooldown_ms=0, neighbours=("gate", "attic")),
            prop("attic", "b3", behaviours=quick, cooldown_ms=0, neighbours=("well",)),
            sensor(links=(Link("gate", 1_000),)),
            sensor("mat", "well", "b2", links=(Link("well", 1_000),)),
            sensor("stair", "attic", "b3"),
            gap_ms=2_000,
        )
    )
    stage.motion()
    stage.wait(1_000)
    stage.motion("stair")
    assert [cue.prop for cue in stage.cues] == ["gate", "attic"]
    stage.motion("mat")
    assert verdicts(stage.wait(1_000)) == [("refused", "stagger")], "so the well has a claim"
    stage.wait(1_000)
    assert lines(stage.motion("stair")) == [("refused", "stagger", 2_000)], "used up in 2 s"
    stage.wait(1_000)
    stage.motion()
    stage.motion("mat")

    decided = stage.wait(1_000)

    assert [(d.prop, d.outcome) for d in decided] == [("well", "fired"), ("gate", "refused")]


def test_triggers_by_hand_and_by_visitors_never_share_a_number() -> None:
    """Those that walk are known by it: one decision each, though hands fire in between."""
    stage = Stage(
        show(
            prop(cooldown_ms=0),
            prop("well", "b2", cooldown_ms=0),
            sensor(links=(Link("gate", 5_000),)),
            sensor("mat", "well", "b2", links=(Link("well", 5_000),)),
        )
    )
    for n in range(3):
        stage.motion()
        stage.do(events.FiredByHand, "gate", f"a{n}")
        stage.motion("mat")
        stage.do(events.FiredByHand, "well", f"b{n}")
    stage.wait(20_000)

    motions = [d for d in stage.decisions if d.source == "motion"]
    assert len(motions) == 6
    assert len({d.motion for d in motions}) == 6


def test_the_sixty_fifth_that_walks_towards_a_prop_is_refused_and_told_how_many_there_are() -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 60_000),))))
    for _ in range(64):
        assert stage.motion() == []

    assert lines(stage.motion()) == [("refused", "already-waiting", 64)]


def test_a_board_that_refuses_cue_upon_cue_costs_nobody_a_timer() -> None:
    """Each refused cue leaves a timer behind; clearing those away must keep the others."""
    stage = Stage(
        show(
            prop(cooldown_ms=0),
            prop("well", "b2"),
            prop("attic", "b3"),
            sensor(),
            sensor("mat", "well", "b2", links=(Link("well", 9_000),)),
            sensor("stair", "attic", "b3"),
        )
    )
    stage.motion("mat")
    stage.motion("stair")
    for n in range(900):
        stage.do(events.FiredByHand, "gate", f"k{n}")
        stage.finish("gate", "refused", "late")

    assert len(stage.arbiter.night.heap) < 900
    stage.wait(4_500)
    assert stage.arbiter.night.props["attic"].play is None, "its end came in time"
    assert [(d.prop, d.outcome) for d in stage.wait(4_500)] == [("well", "fired")]


def test_a_crowd_on_its_way_to_one_prop_keeps_nobody_from_another() -> None:
    stage = Stage(
        show(
            prop(),
            prop("well", "b2"),
            sensor(links=(Link("gate", 60_000),)),
            sensor("mat", "well", "b2", links=(Link("well", 60_000),)),
        )
    )
    stage.motion("mat")
    for _ in range(63):
        stage.motion()

    assert stage.motion() == [], "the sixty-fourth to the gate, and the sixty-fifth in all"
    assert lines(stage.motion()) == [("refused", "already-waiting", 64)]
    assert stage.motion("mat") == []


def test_a_timer_that_a_hold_overtook_does_not_part_those_of_one_instant() -> None:
    """Three arrive together. The one between them is held by then, and priority still decides."""
    quick = (Behaviour("knock", 500, patience_ms=500),)
    near = {"gate": ("well",), "attic": (), "well": ("gate",)}
    ranks = {"gate": 0, "attic": 0, "well": 5}
    stage = Stage(
        show(
            *(
                prop(n, behaviours=quick, priority=ranks[n], neighbours=others)
                for n, others in near.items()
            ),
            sensor(links=tuple(Link(n, 1_000) for n in near)),
            gap_ms=2_000,
        )
    )
    stage.motion()
    stage.do(events.Held, "attic")

    decided = stage.wait(1_000)

    assert [(d.prop, d.outcome) for d in decided] == [("well", "fired"), ("gate", "refused")]


@pytest.mark.parametrize(
    ("order", "words", "reason"),
    [
        (events.Stopped, (), "stopped"),
        (events.WalkTest, (True,), "walk-test"),
        (events.DoorsSet, ("closed",), "closed"),
    ],
)
def test_who_walks_towards_what_nobody_may_see_now_is_decided_at_once(
    order: type[events.Event], words: tuple[object, ...], reason: str
) -> None:
    stage = Stage(show(prop(), sensor(links=(Link("gate", 5000),))))
    stage.do(order, *words)

    assert lines(stage.motion()) == [("refused", reason, None)]
    assert stage.wait(60_000) == []


def test_of_two_that_wait_for_one_supply_the_one_that_was_idle_for_longer_goes_first() -> None:
    """They are no neighbours, so no claim decides; the gate comes first in the order of arrival."""
    heavy = (Behaviour("rise", 1000, draws=((0, 600),)),)
    stage = Stage(
        show(
            prop(behaviours=heavy, cooldown_ms=0),
            prop("well", behaviours=heavy, cooldown_ms=0),
            sensor(links=(Link("gate", 1000), Link("well", 1000))),
            loads=(LoadSpec("supply", "psu", 1000),),
        )
    )
    for first in ("gate", "well"):
        stage.do(events.FiredByHand, first, first)
        stage.wait(5000)

    for expected in (["gate", "well"], ["gate", "well"]):
        stage.motion()
        stage.wait(5000)
        assert [cue.prop for cue in stage.cues[-2:]] == expected
    stage.do(events.FiredByHand, "gate", "again")
    stage.wait(5000)
    stage.motion()
    stage.wait(5000)

    assert [cue.prop for cue in stage.cues[-2:]] == ["well", "gate"]
