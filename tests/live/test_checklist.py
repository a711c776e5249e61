"""Goal: the checklist before opening tells what is good, what to look at, what to mend, and why.

Method: one evening as values, with one thing wrong at a time; tonight's hours from real calendars.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from haunt.core.calendar import Calendar, no_sunset
from haunt.core.clockwork import CalendarSpec, NightSpec, PhaseSpec, QuietSpec, TimeOfDay
from haunt.core.people import ARMED
from haunt.live.checklist import Evidence, FindingCounts, Line, State, StopTried, lines
from haunt.live.opening import TICKS, Span, Tonight, tonight
from haunt.live.views import AlertView, NightView, PackView, PropWord
from haunt.workshop.band import Band
from tests.site.night import DUSK_MS, a_night, a_prop

HOUR_MS = 3_600_000
DAY = date(2026, 10, 31)
SUNSET_MS = DUSK_MS - HOUR_MS
"""17:30 UTC; the view is of 18:30."""
PLAN = Tonight(
    "2026-10-31", DUSK_MS - 18 * HOUR_MS, SUNSET_MS, "sunset", DUSK_MS, DUSK_MS + 3 * HOUR_MS,
    (Span("gentle", DUSK_MS, DUSK_MS + HOUR_MS),), (),
)  # fmt: skip
STOP = StopTried(DUSK_MS - 7_200_000, "Mara", DUSK_MS - 7_190_000)


def a_good_night() -> NightView:
    props = [a_prop("owl", "Tin owl", PropWord.READY), a_prop("bell", "Bell", PropWord.REST)]
    night = a_night(props)
    boards = {name: replace(board, charge_percent=None) for name, board in night.boards.items()}
    return replace(night, boards=boards, doors="timetable")


def evidence(**more: Any) -> Evidence:
    seen = {"owl-eye": DUSK_MS - 60_000, "bell-eye": SUNSET_MS}
    return Evidence(seen, STOP, FindingCounts())._replace(**more)


def utc(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms / 1000, UTC):%H:%M}"


def found(night: NightView | None = None, known: Evidence | None = None) -> dict[str, Line]:
    all_of_it = lines(night or a_good_night(), PLAN, known or evidence(), utc)
    return {each.id: each for each in all_of_it}


def test_a_garden_that_is_ready_has_nothing_to_look_at() -> None:
    assert {each.id: each.state for each in found().values()} == {
        "boards": State.GOOD, "firmware": State.GOOD, "clocks": State.GOOD, "sensors": State.GOOD,
        "packs": State.WAIT, "stop": State.GOOD, "hours": State.GOOD, "props": State.GOOD,
        "faults": State.GOOD, "findings": State.GOOD,
    }  # fmt: skip


def test_every_line_says_why_and_where_it_is_mended() -> None:
    for line in found().values():
        assert line.why.endswith(".")
        assert line.href.startswith("/")
        assert line.mend


def with_board(**more: Any) -> NightView:
    night = a_good_night()
    boards = dict(night.boards)
    boards["b-owl"] = replace(boards["b-owl"], **more)
    return replace(night, boards=boards)


def test_a_board_that_is_not_here_is_named_with_what_it_carries() -> None:
    line = found(with_board(here=False))["boards"]

    assert line.state is State.MEND
    assert line.why == "1 of 2 not here: b-owl (Tin owl). Check supply, then Wi-Fi."


def test_boards_of_two_firmwares_are_told_apart() -> None:
    line = found(with_board(fw="0.9.0"))["firmware"]

    assert line.state is State.LOOK
    assert "Most have 1.0.0, but b-owl (Tin owl) has 0.9.0." in line.why


def test_a_clock_that_is_wrong_is_to_be_mended() -> None:
    wrong = AlertView("clock", DUSK_MS, "This machine's clock says 1999-01-01", 1, kind="clock")

    assert found(replace(a_good_night(), alerts=(wrong,)))["clocks"].state is State.MEND


def test_a_sensor_that_saw_nobody_since_dusk_is_named() -> None:
    line = found(known=evidence(seen={"owl-eye": SUNSET_MS, "bell-eye": SUNSET_MS - 1}))["sensors"]

    assert line.state is State.LOOK
    assert line.why == "Not seen since 17:30 (sunset): bell-eye, bell."
    assert line.href == "/walk"


def test_a_hit_that_is_not_in_the_journal_yet_counts() -> None:
    night = a_good_night()
    sensors = {n: replace(each, last_ms=SUNSET_MS) for n, each in night.sensors.items()}

    line = found(replace(night, sensors=sensors), evidence(seen={}))["sensors"]

    assert line.state is State.GOOD


def test_before_dusk_nobody_can_say_what_a_sensor_sees_after_it() -> None:
    early = replace(a_good_night(), at_ms=SUNSET_MS - 1)

    assert found(early)["sensors"].state is State.WAIT


def test_a_muted_sensor_is_not_passed_over() -> None:
    night = a_good_night()
    sensors = {n: replace(each, muted=n == "owl-eye") for n, each in night.sensors.items()}

    line = found(replace(night, sensors=sensors))["sensors"]

    assert (line.state, line.why) == (State.LOOK, "Muted: owl-eye, owl.")


def a_pack(sure: float, at: float = 60.0) -> PackView:
    ends = DUSK_MS + 2 * HOUR_MS
    return PackView(
        Band(at, max(0.0, at - 10), at + 10), 15, ends, ends - HOUR_MS, ends + HOUR_MS,
        DUSK_MS + 3 * HOUR_MS, sure, 0.4,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("sure", "state"), [(0.95, State.GOOD), (0.7, State.LOOK), (0.2, State.MEND)]
)
def test_a_pack_is_judged_by_its_chance_to_last_and_its_doubt_is_said(
    sure: float, state: State
) -> None:
    line = found(with_board(pack=a_pack(sure), charge_percent=60))["packs"]

    assert line.state is state
    assert "60 % (50 to 70), level 15 %, lasts to about 20:30 (19:30 to 21:30)" in line.why
    assert f"P {sure:.2f} to last till close" in line.why


def test_what_lies_more_than_half_a_day_off_is_said_in_hours() -> None:
    far = replace(a_pack(1.0), ends_ms=DUSK_MS + 20 * HOUR_MS, ends_low_ms=DUSK_MS + 14 * HOUR_MS,
                  ends_high_ms=DUSK_MS + 33 * HOUR_MS)  # fmt: skip

    line = found(with_board(pack=far, charge_percent=60))["packs"]

    assert "lasts about 20 h (14 to 33 h)" in line.why
    days = replace(far, ends_ms=None)
    assert "lasts for days" in found(with_board(pack=days, charge_percent=60))["packs"].why


def test_a_pack_under_its_level_is_changed_whatever_the_forecast_says() -> None:
    line = found(with_board(pack=a_pack(0.95, at=12.0), charge_percent=12))["packs"]

    assert line.state is State.MEND
    assert "under its level 15 %" in line.why


def test_a_stop_that_nobody_tried_is_asked_for() -> None:
    line = found(known=evidence(stop=None))["stop"]

    assert line.state is State.LOOK
    assert "Not tried today" in line.why
    assert found()["stop"].why == "Tried at 16:30 by Mara, released at 16:30."


def test_what_is_held_or_locked_out_is_named_with_its_reason() -> None:
    props = [
        a_prop("owl", "Tin owl", PropWord.LOCKED_OUT, locked_by="Ada", held_by="Ada"),
        a_prop("arm", "Arm", PropWord.HELD, arm_by_hand=True, held_by=ARMED),
        a_prop("bell", "Bell", PropWord.OUT_OF_SERVICE),
    ]
    line = found(a_night(props))["props"]

    assert line.state is State.LOOK
    assert line.why == (
        "Not ready: Tin owl (Ada works on it); Arm (waits to be armed); Bell (out of service)."
    )


def test_a_walk_test_that_was_forgotten_stands_in_the_way() -> None:
    assert found(replace(a_good_night(), walk_test=True))["props"].state is State.LOOK


def test_a_pressing_alert_is_to_be_mended_and_one_that_is_over_is_none() -> None:
    alert = AlertView("lost b", DUSK_MS, "Tin owl: lost", 4, kind="lost", severity="now")
    over = replace(alert, over_ms=DUSK_MS)

    assert found(replace(a_good_night(), alerts=(alert,)))["faults"].state is State.MEND
    assert found(replace(a_good_night(), alerts=(over,)))["faults"].state is State.GOOD


@pytest.mark.parametrize(
    ("tally", "state"),
    [
        (FindingCounts(must=1), State.MEND),
        (FindingCounts(should=2), State.LOOK),
        (FindingCounts(notes=3), State.GOOD),
        (FindingCounts(refused=True), State.MEND),
    ],
)
def test_findings_count_by_how_pressing_they_are(tally: FindingCounts, state: State) -> None:
    assert found(known=evidence(findings=tally))["findings"].state is state


def test_the_hours_are_said_in_local_time() -> None:
    assert (
        found()["hours"].why == "Open 18:30 to 21:30. Phases: gentle 18:30 to 19:30. Quiet: none."
    )


def test_a_show_whose_nights_are_all_past_is_not_said_to_be_open() -> None:
    plan = replace(PLAN, opens_ms=None, closes_ms=None)
    night = a_good_night()
    shut = {each.id: each for each in lines(replace(night, open=False), plan, evidence(), utc)}
    open_ = {each.id: each for each in lines(replace(night, open=True), plan, evidence(), utc)}

    assert shut["hours"].state is State.LOOK
    assert "nothing will fire" in shut["hours"].why
    assert open_["hours"].state is State.GOOD


# --- what tonight is


def spec(**more: Any) -> CalendarSpec:
    night = NightSpec(DAY, TimeOfDay(18 * 60), TimeOfDay(21 * 60), 15)
    return CalendarSpec(nights=(night,), **more)


def test_tonight_is_the_night_that_comes_with_its_phases_and_quiet_spans() -> None:
    phase = PhaseSpec("gentle", TimeOfDay(17 * 60), TimeOfDay(19 * 60))
    quiet = QuietSpec(TimeOfDay(20 * 60), TimeOfDay(23 * 60), (), 65.0)
    calendar = Calendar(spec(phases=(phase,), quiet=(quiet,)), "UTC")
    opens = round(datetime(2026, 10, 31, 18, tzinfo=UTC).timestamp() * 1000)

    plan = tonight(calendar, no_sunset, opens - 6 * HOUR_MS)

    assert (plan.day, plan.opens_ms) == ("2026-10-31", opens)
    assert plan.closes_ms == opens + 3 * HOUR_MS + 15 * 60_000
    assert plan.phases == (Span("gentle", opens, opens + HOUR_MS),)
    assert plan.quiet == (Span("65 dBA at most", opens + 2 * HOUR_MS, plan.closes_ms),)


def test_dusk_is_sunset_or_the_first_phase_or_a_guess() -> None:
    noon = round(datetime(2026, 10, 31, 12, tzinfo=UTC).timestamp() * 1000)
    phase = PhaseSpec("gentle", TimeOfDay(17 * 60), TimeOfDay(19 * 60))

    by_sun = tonight(Calendar(spec(), "UTC"), lambda _day: SUNSET_MS, noon)
    by_phase = tonight(Calendar(spec(phases=(phase,)), "UTC"), no_sunset, noon)
    guessed = tonight(Calendar(spec(), "UTC"), no_sunset, noon)

    assert (by_sun.dusk_ms, by_sun.dusk) == (SUNSET_MS, "sunset")
    assert (utc(by_phase.dusk_ms), by_phase.dusk) == ("18:00", "the start of gentle")
    assert (utc(guessed.dusk_ms), guessed.dusk) == ("17:30", "half an hour before opening")


@pytest.mark.parametrize(("hour", "day"), [(12, "2026-10-31"), (3, "2026-10-30")])
def test_a_show_that_is_always_open_counts_the_small_hours_to_the_evening(
    hour: int, day: str
) -> None:
    at = round(datetime(2026, 10, 31, hour, tzinfo=UTC).timestamp() * 1000)

    plan = tonight(Calendar(CalendarSpec(), "UTC"), no_sunset, at)

    assert (plan.day, plan.opens_ms, plan.closes_ms) == (day, None, None)


def test_a_night_that_is_weeks_ahead_is_named_and_one_that_is_past_is_not() -> None:
    def said(day: date) -> Line:
        night = NightSpec(day, TimeOfDay(1080), TimeOfDay(1200))
        calendar = Calendar(CalendarSpec(nights=(night,)), "UTC")
        plan = tonight(calendar, no_sunset, DUSK_MS)
        shut = replace(a_good_night(), open=False)
        return {each.id: each for each in lines(shut, plan, evidence(), utc)}["hours"]

    assert said(DAY + timedelta(days=20)).why == "Closed until the night of 2026-11-20."
    past = said(DAY - timedelta(days=20))
    assert (past.state, past.why.partition(",")[0]) == (
        State.LOOK,
        "Closed: no night of the show file lies ahead",
    )


def test_after_midnight_it_is_still_the_same_night() -> None:
    late = NightSpec(DAY, TimeOfDay(20 * 60), TimeOfDay(60), 0)
    at = round(datetime(2026, 11, 1, 0, 30, tzinfo=UTC).timestamp() * 1000)

    assert tonight(Calendar(CalendarSpec(nights=(late,)), "UTC"), no_sunset, at).day == "2026-10-31"


def test_each_line_for_a_person_has_a_name_of_its_own_that_fits_its_column() -> None:
    assert len({each.id for each in TICKS}) == len(TICKS)
    assert all(len(each.id) <= 40 for each in TICKS)
    said = " ".join(each.todo for each in TICKS)
    for wanted in ("lit", "taped", "extinguisher", "strobes and fog", "property line", "water",
                   "does not burn", "cut-off", "Ground-fault"):  # fmt: skip
        assert wanted in said


@pytest.mark.parametrize(
    ("doors", "words"), [("closed", "Shut by hand"), ("paused", "Paused"), ("open", "Opened")]
)
def test_doors_by_hand_are_said_and_how_they_go_back_to_their_hours(doors: str, words: str) -> None:
    line = found(replace(a_good_night(), doors=doors))["hours"]

    assert line.state is State.LOOK
    assert line.why.startswith(words)
    assert (line.href, line.mend) == ("/doors", "Doors")
    assert ("By the hours" in line.why) is (doors != "open")
