"""Goal: a recorded night, run again, is the same night; under other settings it is what would be.

Method: nights lived by hand on the core's stage, and invented evenings whose truth is known.
"""

import gc
from dataclasses import replace
from heapq import heappop
from time import process_time

import pytest

from haunt.core import events
from haunt.core.calendar import no_sunset
from haunt.core.clockwork import Timetable
from haunt.core.decisions import Decision, Outcome, Source
from haunt.core.events import Event
from haunt.core.show import Behaviour, Link, Show
from haunt.study.chance import Chance
from haunt.study.measures import Draws, HalfHour, charges_of, measure
from haunt.study.rerun import LIMITS, Recording, Stage, record, rerun
from haunt.study.sweep import Setting, changed
from haunt.study.visits import Visit, answered, visits, waits
from tests.core.stage import Stage as LivedStage
from tests.core.stage import prop, sensor, show
from tests.study.evenings import BOOT, START_MS, WALL_MS, evening, one_prop, poisson

HOUR_MS = 3_600_000
SHOW = show(prop(), prop("well", "b2"), sensor(), sensor("beam", "well", "b2"))


class Lived(LivedStage):
    """A stage that writes its journal: each event with the decisions that came of it."""

    def __init__(self) -> None:
        self.journal: list[tuple[Event, list[Decision]]] = []
        super().__init__(SHOW)

    def do(self, kind: type[Event], *args: object, **more: object) -> list[Decision]:
        event = kind(self.now, self.now + self.offset, *args, **more)
        found = self._take(self.arbiter.handle(event))
        self.journal.append((event, found))
        return found

    def wait(self, ms: int) -> list[Decision]:
        found = super().wait(ms)
        if found:
            self.journal.append((events.Ticked(self.now, self.now + self.offset), found))
        return found


def lived() -> Lived:
    """Live half a minute: boards end their behaviours after 3 s, earlier than planned."""
    stage = Lived()
    stage.motion()
    stage.wait(3000)
    stage.finish()
    stage.wait(9000)
    stage.motion()
    stage.do(events.Held, "well")
    stage.motion("beam")
    stage.wait(1000)
    stage.do(events.HoldReleased, "well")
    stage.motion("beam")
    stage.wait(3000)
    stage.finish()
    stage.finish("well")
    stage.wait(9000)
    return stage


def test_the_same_settings_give_the_same_decisions() -> None:
    stage = lived()
    again = rerun(record(stage.journal), SHOW)

    assert [str(each.outcome) for each in stage.decisions].count("fired") == 3
    assert [d[2:] for d in again.decisions] == [d[2:] for d in stage.decisions]
    assert [each.at_ms for each in again.decisions] == [each.at_ms for each in stage.decisions]


def test_boards_play_as_long_as_the_real_ones_did() -> None:
    recording = record(lived().journal)

    assert recording.durations_ms == {("gate", "growl"): 3000, ("well", "growl"): 3000}
    assert {each.lasted_ms for each in rerun(recording, SHOW).plays} == {3000}


def test_what_our_own_cues_caused_is_not_taken_over() -> None:
    outside = record(lived().journal).outside

    assert not any(isinstance(each, events.Reported | events.Ticked) for each in outside)
    assert sum(isinstance(each, events.Motion) for each in outside) == 4


def test_of_several_starts_only_the_first_is_part_of_the_night() -> None:
    stage = lived()
    restarted = [*stage.journal, (events.Started(stage.now, stage.now + stage.offset), [])]

    starts = [e for e in record(restarted).outside if isinstance(e, events.Started)]
    assert len(starts) == 1


def test_a_shorter_rest_fires_where_the_longer_one_refused() -> None:
    recording = evening([(0, 0), (20_000, 0), (40_000, 0)], 60_000)
    slow, quick = one_prop(30_000), changed(one_prop(30_000), Setting("gate", 5000))

    def fired(of: object) -> list[bool]:
        return [d.outcome is Outcome.FIRED for d in rerun(recording, of).decisions]  # type: ignore[arg-type]

    assert fired(slow) == [True, False, True]
    assert fired(quick) == [True, True, True]


# --- groups


def test_motions_fold_into_groups_and_a_second_delivery_is_none() -> None:
    recording = evening([(0, 4500), (60_000, 0)], 100_000)
    twice = [*recording.motions, *recording.motions]

    found = visits(twice, one_prop(1000))["gate"]
    assert [(each.motions, each.last_ms - each.first_ms) for each in found] == [(4, 4500), (1, 0)]


def test_a_group_is_answered_by_a_start_while_it_is_there() -> None:
    recording = evening([(0, 0), (20_000, 0), (40_000, 0)], 60_000)
    run = rerun(recording, one_prop(30_000))
    found = visits(recording.motions, one_prop(30_000))

    assert answered(found, run.starts(), {"gate": 3000}) == {"gate": [True, False, True]}
    assert answered({"gate": [Visit(0, 0, 1)]}, run.starts(), {}) == {"gate": [False]}


def test_a_group_waits_from_its_first_motion_to_the_start() -> None:
    found = {"gate": [Visit(1000, 4000, 3), Visit(20_000, 21_000, 2)]}

    assert waits(found, {"gate": [3500, 24_000]}, {"gate": 3000}) == {"gate": [2500, 4000]}
    assert waits(found, {"gate": [3500, 24_001]}, {"gate": 3000}) == {"gate": [2500, None]}


def test_a_night_is_cut_into_half_hours() -> None:
    recording = evening([(0, 0), (1_000, 0), (2_000_000, 0)], 3_700_000)
    night = measure(recording, one_prop(5000), rerun(recording, one_prop(5000)), Draws())

    assert night.props["gate"].half_hours == (HalfHour(1, 1), HalfHour(1, 1), HalfHour(0, 0))


def test_packs_are_read_at_both_ends_of_a_night() -> None:
    """The middle of five: one reading under load does not count."""
    told = [90, 20, 90, 89, 89, 70, 60, 59, 5, 60]
    health = [
        events.BoardHealth(START_MS + n, WALL_MS + n, "b1", BOOT, n, percent)
        for n, percent in enumerate(told)
    ]
    charge = charges_of(Recording((*evening([], 0).outside[:3], *health)))

    assert charge == {"b1": (89, 60)}


def test_a_night_adds_up() -> None:
    recording = evening([(0, 0), (20_000, 0), (40_000, 0)], HOUR_MS)
    draws = Draws({("gate", "growl"): 900.0}, {"b1": 100.0})
    night = measure(
        replace(recording, durations_ms={("gate", "growl"): 4000}),
        one_prop(30_000),
        rerun(replace(recording, durations_ms={("gate", "growl"): 4000}), one_prop(30_000)),
        draws,
    )

    mine = night.props["gate"]
    assert (mine.visits, mine.answered, mine.fired, mine.refused) == (3, 2, 2, {"cooldown": 1})
    assert (mine.played_ms, mine.motor_ms, mine.worst_duty) == (8000, 4000, 4 / 600)
    assert night.used_mah["b1"] == 100 + 900 * 8 / 3600
    assert (night.visits, night.answered, night.fired, night.lapsed) == (3, 2, 2, 0)
    assert (night.loud_ms, night.motor_ms, night.worst_duty) == (8000, 4000, 4 / 600)
    assert night.refused == {"cooldown": 1}


class Plain(Stage):
    """The same stage without any shortcut: every timer is asked for and run by itself."""

    def run_until(self, until_ms: int) -> None:
        arbiter, ends = self._arbiter, self._ends
        while True:
            due = arbiter.next_due_ms()
            end = ends[0][0] if ends else None
            if due is not None and due <= until_ms and (end is None or due <= end):
                self._note(arbiter.advance(due))
            elif end is not None and end <= until_ms:
                at_ms, _, board, cue = heappop(ends)
                wall_ms = at_ms + self._offset_ms
                report = events.Reported(at_ms, wall_ms, board, cue, "finished")
                self._note(arbiter.handle(report))
            else:
                return


def a_row(gap_ms: int, patience_ms: int, *, timetable: bool) -> Show:
    """Six neighbours with walking times, so that triggers walk, wait, and bar each other."""
    names = [f"p{n}" for n in range(6)]
    act = Behaviour("rise", 4000, patience_ms)
    return show(
        *(
            prop(name, behaviours=(act,), neighbours=tuple(x for x in names if x != name))
            for name in names
        ),
        *(sensor("s" + name, links=(Link(name, 700 * n),)) for n, name in enumerate(names)),
        gap_ms=gap_ms,
        timetable=(Timetable(0, "p1", every_min_ms=60_000, every_max_ms=90_000),)
        if timetable
        else (),
    )


def crowd_of(sensors: list[str], count: int, mean_ms: float) -> Recording:
    chance, at, happened = Chance(4, "crowd"), float(START_MS), list(evening([], 0).outside[:3])
    for seq in range(1, count + 1):
        at += chance.exponential(mean_ms)
        wall_ms = WALL_MS + round(at) - START_MS
        seen = sensors[chance.below(len(sensors))]
        happened.append(events.Motion(round(at), wall_ms, "b1", seen, BOOT, seq))
    return Recording(tuple(happened))


@pytest.mark.parametrize(("gap_ms", "patience_ms"), [(0, 0), (4000, 3000), (6000, 9000)])
@pytest.mark.parametrize("timetable", [False, True])
def test_leaving_timers_to_the_arbiter_changes_no_decision(
    gap_ms: int, patience_ms: int, *, timetable: bool
) -> None:
    of = a_row(gap_ms, patience_ms, timetable=timetable)
    recording = crowd_of([each.id for each in of.sensors], 600, 1500)

    quick, plain = rerun(recording, of), Plain(recording, of, no_sunset).run()
    assert quick.decisions == plain.decisions
    assert quick.plays == plain.plays
    assert timetable == any(each.source is Source.TIMETABLE for each in quick.decisions)
    assert (patience_ms > 0) == any(each.waited_ms for each in quick.plays)


def took_s(recording: Recording, of: Show) -> float:
    """Return the best of three runs, in time of the processor: others run beside us. The collector
    must not walk what other tests have left.
    """
    gc.collect()
    gc.freeze()
    try:
        best = 60.0
        for _ in range(3):
            began = process_time()
            rerun(recording, of)
            best = min(best, process_time() - began)
        return best
    finally:
        gc.unfreeze()


def test_ten_thousand_motions_past_forty_props_take_a_moment() -> None:
    """Aim 0.1 s on one quiet core. Each motion has one link and seven of ten fire: the arbiter
    alone needs 0.16 s of 0.19 s for that, reports of the boards included. Asserted at five times
    the aim, and told.
    """
    names = [f"p{n}" for n in range(40)]
    of = show(
        *(prop(name, cooldown_ms=20_000) for name in names),
        *(sensor("s" + name, name, block_ms=2000) for name in names),
    )
    recording = crowd_of([each.id for each in of.sensors], 10_000, 1440)
    best_s = took_s(recording, of)

    print(f"10,000 motions take {best_s:.3f} s")
    assert best_s < 0.5
    assert len(rerun(recording, of).plays) > 7000


def test_where_most_motions_end_at_the_sensor_they_take_less_than_the_aim() -> None:
    """Six motions a group and a block time, as on a real evening: 0.07 s. Asserted at three times
    the aim of 0.1 s.
    """
    recording = evening(poisson(1, 26_000, 12 * HOUR_MS, 7500), 12 * HOUR_MS)
    blocked = replace(one_prop(20_000).sensors[0], block_ms=8000)
    of = replace(one_prop(20_000), sensors=(blocked,))
    decisions = rerun(recording, of).decisions
    best_s = took_s(recording, of) * 10_000 / len(recording.motions)

    print(f"{len(recording.motions)} motions; 10,000 take {best_s:.3f} s")
    assert sum(each.reason == "block-time" for each in decisions) > len(decisions) / 2
    assert best_s < 0.3


def test_what_cannot_be_known_is_said() -> None:
    assert len(LIMITS) >= 3
    assert any("People walk as they did" in each for each in LIMITS)
