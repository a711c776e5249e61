"""Goal: the plain model is right by itself, so that agreeing with it means something.

Method: small nights whose outcome follows from the words of the rules by hand; the arbiter is not
asked. Figures for a saturated row are those that the rule of claims was made for.
"""

from datetime import UTC, date, datetime
from itertools import pairwise
from typing import Any

import pytest

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, PhaseSpec, QuietSpec, TimeOfDay, Timetable
from haunt.core.decisions import Decision, SendCue
from haunt.core.events import Event
from haunt.core.show import Behaviour, Link, LoadSpec, Show
from tests.core.stage import BOOT, EVENING, prop, sensor, show
from tests.model import hours
from tests.model.plain import Plain

START_MS = 1_000_000


class Night:
    """Drives the model alone; words are (prop, outcome or reason, waited, margin)."""

    def __init__(self, of: Show) -> None:
        self.model = Plain(of)
        self.now, self.seq = START_MS, 0
        self.do(events.Started, 0, False, True)
        for board in of.boards:
            self.do(events.BoardHere, board.id, BOOT, 3_600_000, "watchdog")
        for each in of.props:
            self.do(events.HoldReleased, each.id)

    def do(self, kind: type[Event], *words: Any) -> list[tuple[str | None, str, int, int | None]]:
        event = kind(self.now, self.now + EVENING - START_MS, *words)
        return told(self.model.handle(event))

    def motion(
        self, name: str = "pir", age_ms: int = 0
    ) -> list[tuple[str | None, str, int, int | None]]:
        self.seq += 1
        return self.do(events.Motion, "b1", name, BOOT, self.seq, age_ms)

    def wait(self, ms: int) -> list[tuple[str | None, str, int, int | None]]:
        self.now += ms
        return told(self.model.advance(self.now))

    def starts(self, name: str) -> list[int]:
        cues = [each for each in self.model.said if isinstance(each, SendCue)]
        return [each.sent_ms - START_MS for each in cues if each.prop == name]


def told(effects: list[Any]) -> list[tuple[str | None, str, int, int | None]]:
    found = [each for each in effects if isinstance(each, Decision)]
    return [(each.prop, _verdict(each), each.waited_ms, each.margin) for each in found]


def _verdict(decision: Decision) -> str:
    if decision.reason is None:
        return str(decision.outcome)
    return f"{decision.outcome} {decision.reason}"


def test_a_prop_rests_after_it_played_and_says_how_long_it_still_needs() -> None:
    night = Night(show(prop(cooldown_ms=10_000), sensor()))

    assert night.motion() == [("gate", "fired", 0, None)]
    night.wait(4500)  # no report came, so it ended half a second after its 4 s
    night.wait(2000)
    assert night.motion() == [("gate", "refused cooldown", 0, 8000)]


def test_a_trigger_waits_for_what_clears_within_patience_and_equality_is_within() -> None:
    night = Night(show(prop(cooldown_ms=0), sensor()))
    night.motion()

    night.wait(1499)
    assert night.motion() == [("gate", "refused playing", 0, 3001)]
    night.wait(1)
    assert night.motion() == []
    assert night.motion() == [("gate", "refused already-waiting", 0, None)]
    assert night.wait(3000) == [("gate", "fired", 3000, None)]


def test_a_never_rule_wins_over_a_clears_rule_wherever_it_stands() -> None:
    calendar = CalendarSpec(quiet=(QuietSpec(TimeOfDay(0), TimeOfDay(0)),))
    night = Night(show(prop(), sensor(), calendar=calendar))

    assert night.motion() == [("gate", "refused quiet-hours", 0, None)]


def test_of_a_crowd_that_stands_still_one_is_let_in_every_three_quarters_of_a_minute() -> None:
    lingering = sensor(lull_ms=5000, lull_max_ms=45_000)
    night = Night(show(prop(behaviours=(Behaviour("growl", 500),), cooldown_ms=0), lingering))
    for _ in range(100):
        night.motion()
        night.wait(1000)

    assert night.starts("gate") == [0, 45_000, 90_000]


def test_a_group_that_has_left_is_not_fired_at() -> None:
    night = Night(show(prop(cooldown_ms=0), sensor(stays=True, fresh_ms=2000)))
    night.motion()
    night.wait(2000)
    night.motion()

    assert night.wait(2500) == [("gate", "lapsed left", 2500, None)]


def test_in_a_saturated_row_nobody_starves() -> None:
    """Play + rest is shorter than the gap, and everybody always has someone in front of it."""
    growl = (Behaviour("growl", 1000, patience_ms=3000),)
    near = {"a": ("b",), "b": ("a", "c"), "c": ("b",)}
    props = [prop(n, behaviours=growl, cooldown_ms=500, neighbours=near[n]) for n in near]
    sensors = [sensor(f"at-{n}", n) for n in near]
    night = Night(show(*props, *sensors, gap_ms=4000))
    for second in range(240):
        for n in near:
            night.motion(f"at-{n}")
        night.wait(1000 if second % 2 else 999)

    starts = [len(night.starts(n)) for n in near]
    assert min(starts) * 10 >= max(starts) * 9
    between = sorted(night.starts("a") + night.starts("b"))
    assert min(b - a for a, b in pairwise(between)) >= 4000


def test_no_more_starts_than_the_cap_lie_in_any_trailing_hour() -> None:
    capped = prop(behaviours=(Behaviour("growl", 500),), cooldown_ms=0, hourly_cap=4)
    night = Night(show(capped, sensor()))
    for _ in range(300):
        night.motion()
        night.wait(60_000)

    starts = night.starts("gate")
    assert len(starts) >= 15
    assert all(late - early >= 3_600_000 for early, late in zip(starts, starts[4:], strict=False))


def test_a_motor_runs_its_share_of_any_ten_minutes_and_no_more() -> None:
    turning = Behaviour("turn", 10_000, motor_on_ms=10_000)
    night = Night(show(prop(behaviours=(turning,), cooldown_ms=0, duty_permille=100), sensor()))
    for _ in range(1200):
        night.motion()
        night.wait(1000)

    starts = night.starts("gate")
    assert len(starts) >= 11
    assert all(late - early >= 600_000 for early, late in zip(starts, starts[6:], strict=False))


def test_a_shared_supply_carries_what_it_can_and_clears_at_the_first_end_that_makes_room() -> None:
    growl = (Behaviour("growl", 2000, draws=((0, 6),)),)
    props = [prop(n, behaviours=growl, cooldown_ms=0) for n in "ab"]
    night = Night(
        show(*props, *[sensor(n + "s", n) for n in "ab"], loads=(LoadSpec("supply", "5 V", 11),))
    )

    assert night.motion("as") == [("a", "fired", 0, None)]
    assert night.motion("bs") == []
    assert night.wait(2500) == [("b", "fired", 2500, None)]


def test_nothing_plays_into_the_silence() -> None:
    calendar = CalendarSpec(quiet=(QuietSpec(TimeOfDay(17 * 60 + 1), TimeOfDay(18 * 60)),))
    night = Night(show(prop(), sensor(), calendar=calendar))
    night.wait(56_000)
    assert night.motion() == [("gate", "refused quiet-hours", 0, None)]


def test_hands_overrule_the_rest_but_not_a_running_behaviour() -> None:
    night = Night(show(prop(hourly_cap=1), sensor()))
    night.motion()

    assert night.do(events.FiredByHand, "gate", "k1") == [("gate", "refused playing", 0, 14_500)]
    night.wait(4500)
    assert night.do(events.FiredByHand, "gate", "k2") == [("gate", "fired", 0, None)]
    assert night.do(events.FiredByHand, "gate", "k2") == []


def test_a_refused_cue_undoes_the_start() -> None:
    night = Night(show(prop(), sensor()))
    night.motion()
    night.do(events.Reported, "b1", f"b1-{BOOT}-1-gate", "refused", "late")

    assert night.motion() == [("gate", "fired", 0, None)]


def test_stop_decides_what_is_pending_and_a_release_counts_to_five() -> None:
    night = Night(show(prop(cooldown_ms=0), sensor()))
    night.motion()
    night.wait(2000)
    night.motion()

    assert night.do(events.Stopped) == [("gate", "refused stopped", 0, None)]
    night.do(events.StopReleased)
    night.wait(4999)
    assert night.motion() == [("gate", "refused stopped", 0, None)]
    night.wait(2)
    assert night.motion(age_ms=2) == [("gate", "refused stopped", 2, None)]
    assert night.motion(age_ms=1) == [("gate", "fired", 1, None)]


def test_what_is_past_patience_at_a_restart_lapses_and_the_rest_goes_on() -> None:
    far = sensor("far", links=(Link("gate", 5000),))
    night = Night(show(prop(), far))
    night.motion("far")
    night.now += 7000
    assert night.do(events.Started, 0, False, True) == [("gate", "fired", 2000, None)]
    night.wait(60_000)
    night.motion("far")
    night.now += 8001
    assert night.do(events.Started, 0, False, True) == [("gate", "lapsed restart", 3001, None)]


def test_a_flat_pack_retires_its_prop_and_ten_points_bring_it_back() -> None:
    night = Night(show(prop(retire_percent=20), sensor()))
    for _ in range(6):
        night.do(events.BoardHealth, "b1", BOOT, 0, 12)
    assert night.motion() == [("gate", "fired", 0, None)]
    night.wait(4500 + 10_000)
    night.do(events.BoardHealth, "b1", BOOT, 0, 12)
    assert night.motion() == [("gate", "refused low-battery", 0, 8)]
    for _ in range(3):
        night.do(events.BoardHealth, "b1", BOOT, 0, 30)
    assert night.motion() == [("gate", "fired", 0, None)]


def test_a_row_of_the_timetable_comes_at_its_minute_and_never_waits() -> None:
    at = Timetable(0, "gate", at=TimeOfDay(17 * 60 + 1))
    night = Night(show(prop(), sensor(), timetable=(at,)))

    assert night.wait(59_999) == []
    assert night.wait(1) == [("gate", "fired", 0, None)]
    night.wait(86_400_000)
    assert night.starts("gate") == [60_000, 60_000 + 86_400_000]


@pytest.mark.parametrize(("start", "end", "minutes"), [(60, 120, 120), (90, 150, 90)])
def test_on_the_night_the_hour_repeats_a_span_has_its_real_length(
    start: int, end: int, minutes: int
) -> None:
    calendar = CalendarSpec((), (PhaseSpec("late", TimeOfDay(start), TimeOfDay(end)),))
    midnight = int(datetime(2026, 10, 24, 23, tzinfo=UTC).timestamp()) * 1000
    within = [
        bool(hours.phases("Europe/London", calendar, midnight + n * 60_000)) for n in range(360)
    ]

    assert sum(within) == minutes


def test_doors_open_at_the_first_reading_and_close_at_the_last() -> None:
    """Clocks go back at 01:00 UTC on 2026-10-25 in London (source: zoneinfo)."""
    day = date(2026, 10, 25)

    def utc(ms: int) -> str:
        return datetime.fromtimestamp(ms / 1000, UTC).strftime("%H:%M")

    assert utc(hours.first("Europe/London", day, 90)) == "00:30"
    assert utc(hours.last("Europe/London", day, 90)) == "01:30"
