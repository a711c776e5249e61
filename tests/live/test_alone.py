"""Goal: a board is told to play alone only what can hurt and disturb nobody, only when it may.

Method: stages of the arbiter with a calendar; the settings that a board would get are read. Local
hours are held against zoneinfo: New York is four hours behind UTC until 2026-11-01, then five.
"""

from dataclasses import replace
from datetime import date
from typing import Any

from haunt.core import events
from haunt.core.clockwork import CalendarSpec, NightSpec, QuietSpec, TimeOfDay
from haunt.core.show import Behaviour, PropSpec, Show
from haunt.live.alone import settings_of
from haunt.wire.payloads import PropAlone, Settings
from tests.core.stage import Stage, prop, sensor, show

AT_SIX_UTC = 1_793_512_800_000  # 2026-11-01T06:00:00Z, in New York 02:00 EDT, 2026-11-01
SIX, NINE = TimeOfDay(18 * 60), TimeOfDay(21 * 60)


def glowing(**more: Any) -> PropSpec:
    behaviours = (Behaviour("glow", 4000, level_dba=50.0), Behaviour("growl", 4000))
    return prop(behaviours=behaviours, alone="glow", **more)


def told(stage: Stage, board: str = "b1") -> Settings:
    night = stage.arbiter.night
    return settings_of(night, night.boards[board], 7)


def evening(*things: PropSpec, **more: object) -> Show:
    opening = NightSpec(date(2026, 11, 1), SIX, NINE, last_group_min=0)
    calendar = CalendarSpec(nights=(opening,), **more)  # type: ignore[arg-type]
    return show(*(things or (glowing(),)), sensor(), calendar=calendar)


def test_a_show_that_is_always_open_lets_it_play_all_day() -> None:
    stage = Stage(show(glowing(), sensor()))

    assert told(stage) == Settings(
        version=7,
        mode="alone",
        props={"gate": PropAlone(behaviour="glow", cooldown_ms=10_000)},
        hours=(("00:00", "00:00"),),
    )


def test_a_board_whose_props_say_nothing_of_it_stays_still() -> None:
    assert told(Stage(show(prop(), sensor()))) == Settings(version=7, mode="still")


def test_hours_are_those_of_the_night_as_utc_reads_them() -> None:
    """18:00 to 21:00 in New York on the first evening of winter time, 23:00 to 02:00 UTC."""
    of = replace(evening(), time_zone="America/New_York")
    stage = Stage(of, wall=AT_SIX_UTC + 6 * 3_600_000)

    assert told(stage).hours == (("23:00", "02:00"),)


def test_what_is_told_does_not_creep_while_the_clock_goes_on() -> None:
    stage = Stage(evening())
    first = told(stage)
    stage.wait(90 * 60_000)

    assert first.hours == (("18:00", "21:00"),)
    assert told(stage) == first


def test_quiet_hours_cut_what_is_too_loud_or_does_not_say_how_loud_it_is() -> None:
    eight = TimeOfDay(20 * 60)
    for level, hours in ((45.0, (("18:00", "20:00"),)), (50.0, (("18:00", "21:00"),))):
        quiet = (QuietSpec(eight, TimeOfDay(0), max_level_dba=level),)
        assert told(Stage(evening(quiet=quiet))).hours == hours
    assert told(Stage(evening(quiet=(QuietSpec(eight, TimeOfDay(0)),)))).hours[0][1] == "20:00"


def test_held_locked_out_of_service_or_armed_by_hand_it_is_left_out() -> None:
    bars: tuple[tuple[type[events.Event], tuple[object, ...]], ...] = (
        (events.Held, ("gate", None, "Ada")),
        (events.LockedOut, ("gate", True, "Ada")),
        (events.ServiceChanged, ("gate", True, "Ada")),
    )
    for event, words in bars:
        stage = Stage(show(glowing(), sensor()))
        stage.do(event, *words)
        assert told(stage).mode == "still"
    assert told(Stage(show(glowing(arm_by_hand=True), sensor()))).mode == "still"


def test_a_stop_and_a_walk_test_still_all() -> None:
    for event, args in ((events.Stopped, ("Ada",)), (events.WalkTest, (True, "Ada"))):
        stage = Stage(show(glowing(), sensor()))
        stage.do(event, *args)
        assert told(stage) == Settings(version=7, mode="still")
