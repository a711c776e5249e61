"""Goal: neighbours keep their gap, and in a crowd each of them gets its turn.

Method: rows of neighbours asked all the time; gaps are measured on the cues, turns are counted.
"""

from dataclasses import replace

import pytest

from haunt.core import events
from haunt.core.show import Behaviour, PropSpec, SensorSpec, Show
from tests.core.stage import Stage, lines, prop, sensor, show, verdicts

NAMES = ("a", "b", "c")
ROW = {"a": ("b",), "b": ("a", "c"), "c": ("b",)}


def row(gap_ms: int, patience_ms: int = 0, **priority: int) -> Stage:
    things: list[PropSpec | SensorSpec] = []
    for name in NAMES:
        things.append(
            prop(
                name,
                f"b-{name}",
                behaviours=(Behaviour("go", 1000, patience_ms=patience_ms),),
                cooldown_ms=0,
                neighbours=ROW[name],
                priority=priority.get(name, 0),
            )
        )
        things.append(sensor(f"s-{name}", name, f"b-{name}"))
    return Stage(show(*things, gap_ms=gap_ms))


def test_a_neighbour_is_barred_for_less_than_the_gap_and_says_what_is_left() -> None:
    stage = row(5000)
    stage.motion("s-a")
    stage.wait(4999)

    assert lines(stage.motion("s-b")) == [("refused", "stagger", 1)]
    stage.wait(1)
    assert verdicts(stage.motion("s-b")) == [("fired", None)]


def test_who_is_no_neighbour_is_not_barred() -> None:
    stage = row(5000)
    stage.motion("s-a")

    assert verdicts(stage.motion("s-c")) == [("fired", None)]


def test_a_start_by_hand_bars_the_neighbours_too() -> None:
    stage = row(5000)
    stage.do(events.FiredByHand, "a", "k1")

    assert verdicts(stage.motion("s-b")) == [("refused", "stagger")]


@pytest.mark.parametrize("later_ms", [3000, 60_000, 3_600_000])
def test_who_was_barred_has_the_next_turn_for_one_gap_from_when_another_asks(later_ms: int) -> None:
    stage = row(5000)
    stage.plays("s-b", "b", 1000)
    stage.wait(5000)
    stage.plays("s-a", "a", 1000)
    stage.wait(1000)
    assert verdicts(stage.motion("s-b")) == [("refused", "stagger")]  # from now on it claims
    stage.wait(later_ms)

    assert lines(stage.motion("s-a")) == [("refused", "stagger", 5000)]
    stage.wait(4999)
    assert lines(stage.motion("s-a")) == [("refused", "stagger", 1)]
    stage.wait(1)
    assert verdicts(stage.motion("s-a")) == [("fired", None)]


def test_a_claim_is_not_used_up_while_its_prop_could_not_start_either() -> None:
    stage = row(5000)
    stage.plays("s-b", "b", 1000)
    stage.wait(5000)
    stage.plays("s-c", "c", 1000)
    stage.wait(4500)
    stage.plays("s-a", "a", 1000)
    assert verdicts(stage.motion("s-b")) == [("refused", "stagger")]
    stage.wait(500)
    assert verdicts(stage.motion("s-c")) == [("refused", "stagger")]  # b claims; a bars b still
    stage.wait(60_000)

    assert lines(stage.motion("s-a")) == [("refused", "stagger", 5000)]
    assert verdicts(stage.motion("s-b")) == [("fired", None)]


def test_a_claim_ends_when_the_claimant_fires() -> None:
    stage = row(5000)
    stage.plays("s-b", "b", 1000)
    stage.wait(5000)
    stage.motion("s-a")
    stage.wait(2000)
    stage.motion("s-b")
    stage.wait(3000)
    assert verdicts(stage.motion("s-b")) == [("fired", None)]
    stage.wait(5000)

    assert verdicts(stage.motion("s-a")) == [("fired", None)]


def test_a_claim_does_not_bar_who_started_before_the_claimant() -> None:
    stage = row(5000)
    stage.plays("s-c", "c", 1000)
    stage.wait(5000)
    stage.plays("s-b", "b", 1000)
    stage.wait(5000)
    stage.motion("s-a")
    stage.wait(2000)
    stage.motion("s-b")

    assert verdicts(stage.motion("s-c")) == [("fired", None)]


def test_at_one_instant_a_claim_outranks_priority() -> None:
    stage = row(5000, 10_000, a=9)
    stage.motion("s-a")
    stage.motion("s-b")  # barred in the very instant of the start: it claims
    stage.wait(1000)
    stage.finish("a")
    stage.motion("s-a")
    fired = [d.prop for d in stage.wait(4000)]

    assert fired == ["b"]


def two(a_rests_ms: int, b_rests_ms: int) -> Show:
    far = (Behaviour("go", 1000, patience_ms=60_000),)
    return show(
        prop("a", "b1", behaviours=far, neighbours=("b",), cooldown_ms=a_rests_ms),
        prop("b", "b2", behaviours=far, neighbours=("a",), cooldown_ms=b_rests_ms, priority=9),
        sensor("s-a", "a"),
        sensor("s-b", "b", "b2"),
        gap_ms=2000,
    )


def test_a_claim_that_has_run_out_outranks_nothing() -> None:
    stage = Stage(two(0, 0))
    stage.plays("s-a", "a", 1000)
    stage.wait(500)
    stage.do(events.FiredByHand, "b", "k1")
    stage.wait(500)
    stage.motion("s-a")  # at 2000, barred by b until 3500: it claims
    stage.wait(500)
    stage.finish("b")  # at 2500
    stage.do(events.ShowChanged, two(20_000, 0))
    stage.wait(1500)
    stage.motion("s-b")  # at 4000: the claim bars it, and so ends at 6000
    assert [d.prop for d in stage.wait(2000)] == ["b"]
    stage.wait(1000)
    stage.finish("b")
    stage.do(events.ShowChanged, two(20_000, 14_000))
    stage.wait(1000)
    stage.motion("s-b")

    assert [d.prop for d in stage.wait(13_000)] == ["b"]  # both are free at 21,000


def test_a_claim_means_nothing_once_the_show_has_no_gap() -> None:
    stage = Stage(two(0, 0))
    stage.plays("s-a", "a", 1000)
    stage.wait(500)
    stage.do(events.FiredByHand, "b", "k1")
    stage.motion("s-a")  # barred by b: it claims
    stage.finish("b")
    stage.do(events.Stopped, "Mara")
    stage.do(events.StopReleased, "Mara")
    stage.wait(6000)
    stage.do(events.ShowChanged, replace(two(0, 0), gap_ms=0))

    assert verdicts(stage.motion("s-b")) == [("fired", None)]


@pytest.mark.parametrize("patience_ms", [0, 3000, 9000])
def test_a_saturated_row_keeps_every_gap_and_starves_nobody(patience_ms: int) -> None:
    stage = row(8000, patience_ms)
    for _ in range(1800):
        for name in ("a", "c", "b"):
            stage.motion(f"s-{name}")
            stage.wait(333)
        for name in NAMES:
            if stage.arbiter.night.props[name].play is not None:
                stage.finish(name)
    starts = {n: [cue.sent_ms for cue in stage.cues if cue.prop == n] for n in NAMES}

    for name, near in ROW.items():
        others = sorted(at for other in near for at in starts[other])
        assert all(abs(at - other) >= 8000 for at in starts[name] for other in others)
    counts = {name: len(each) for name, each in starts.items()}
    assert min(counts.values()) >= 0.8 * max(counts.values()), counts
