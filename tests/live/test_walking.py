"""Goal: what a sensor saw is known at once, a cue is followed to its end, and names are kept.

Method: scripted boards on the virtual clock, seen through the view that pages have.
"""

from typing import Any

import pytest

from haunt.core import events
from haunt.core.events import Event
from haunt.live.crew import Answer, Crew, MakeEvent
from haunt.live.errors import CrewMistake
from haunt.live.eyes import CHATTERS_A_MINUTE
from haunt.live.ports import ActionRow
from haunt.live.scene import Scene
from haunt.live.views import Labels, NightView
from tests.core.stage import prop, sensor, show
from tests.live.gardenstage import Garden


def view(garden: Garden) -> NightView:
    scene = Scene(garden.night, garden.journal, Labels())
    return scene.build(garden.now, frozenset(garden.night.arbiter.night.props), 0)


def order(garden: Garden, what: str, kind: type[Event], *args: Any, **more: Any) -> None:
    event = kind(garden.now, garden.schedule.wall_ms(), *args, **more)
    garden.night.order(event, ActionRow("Mara", what, str(args[0]) if args else ""))


def walking() -> Garden:
    garden = Garden().open()
    order(garden, "walk test", events.WalkTest, on=True, by="Mara")
    return garden


def test_in_a_walk_test_a_hit_is_seen_and_nothing_fires() -> None:
    garden = walking()
    garden.boards["b2"].sense("s2")
    found = view(garden)

    assert found.last_hit is not None
    assert found.last_hit.sensor == "s2"
    assert found.sensors["s2"].hits == 1
    assert found.sensors["s1"].hits == 0
    assert garden.fired("p2") == 0
    assert (found.walk_test, found.walk_by) == (True, "Mara")


def test_a_walk_test_counts_anew_and_a_second_order_does_not() -> None:
    garden = Garden().open()
    garden.boards["b2"].sense("s2")
    order(garden, "walk test", events.WalkTest, on=True, by="Mara")
    assert view(garden).sensors["s2"].hits == 0
    garden.boards["b2"].sense("s2")

    order(garden, "walk test", events.WalkTest, on=True, by="Jory")

    assert view(garden).sensors["s2"].hits == 1


def test_a_hit_that_waited_on_its_board_says_nothing_of_now() -> None:
    garden = walking()
    garden.boards["b2"].sense("s2", age_ms=60_000)

    assert view(garden).sensors["s2"].hits == 0


def test_a_sensor_of_another_board_and_a_redelivered_motion_are_no_hits() -> None:
    garden = walking()
    garden.boards["b1"].sense("s2")
    garden.boards["b2"].sense("s2")
    board = garden.boards["b2"]
    garden.tell("b2/motion", sensor="s2", boot=board.boot, seq=board.seq, age_ms=0)

    assert view(garden).sensors["s2"].hits == 1


def test_hits_of_the_last_minute_are_counted_and_older_ones_forgotten() -> None:
    garden = walking()
    garden.every(1000, lambda: garden.boards["b2"].sense("s2"), CHATTERS_A_MINUTE)
    garden.run(CHATTERS_A_MINUTE * 1000)
    assert view(garden).sensors["s2"].a_minute == CHATTERS_A_MINUTE

    garden.run(60_000)

    assert view(garden).sensors["s2"].a_minute == 0
    assert view(garden).sensors["s2"].hits == CHATTERS_A_MINUTE


def test_a_hit_asks_for_a_new_view_even_where_no_prop_is_concerned() -> None:
    garden = walking()
    garden.night.changed.clear()
    garden.boards["b2"].sense("s2")

    assert "s2" in garden.night.changed


def test_a_cue_is_followed_from_sent_to_heard_to_done() -> None:
    garden = Garden().open()
    garden.boards["b2"].sense("s2")
    sent = view(garden).props["p2"].trip
    garden.run(100)
    heard = view(garden).props["p2"].trip
    garden.run(5000)
    done = view(garden).props["p2"].trip

    assert sent is not None
    assert heard is not None
    assert done is not None
    assert (sent.heard_ms, sent.done_ms) == (None, None)
    assert (heard.heard_ms, heard.done_ms) == (20, None)
    assert (done.heard_ms, done.done_ms, done.end) == (20, 4000, "finished")
    assert done.sent_ms == garden.schedule.wall_ms() - 5100


def test_the_receipt_is_that_of_the_last_cue() -> None:
    garden = Garden().open()
    garden.boards["b2"].sense("s2")
    garden.run(20_000)
    garden.boards["b2"].answers = False
    garden.boards["b2"].sense("s2")
    garden.run(2000)

    trip = view(garden).props["p2"].trip
    assert trip is not None
    assert trip.heard_ms is None


def test_who_muted_a_sensor_is_known_until_it_counts_again() -> None:
    garden = Garden().open()
    order(garden, "mute", events.Muted, "s2", on=True, for_ms=60_000, by="Mara")
    muted = view(garden).sensors["s2"]
    assert (muted.muted, muted.muted_by) == (True, "Mara")

    garden.run(60_000)

    assert not view(garden).sensors["s2"].muted


def test_a_stop_by_a_button_has_the_buttons_name_and_not_the_last_persons() -> None:
    garden = Garden(of=show(prop("p1"), sensor("s1", "p1", action="stop"))).open()
    order(garden, "stop", events.Stopped, "Mara")
    assert view(garden).stopped_by == "Mara"
    order(garden, "stop released", events.StopReleased, "Mara")
    garden.run(6000)

    garden.boards["b1"].sense("s1")

    assert view(garden).stopped_by == "button s1"


# --- who may end a lock-out


class Desk:
    """Satisfies `crew.Desk` with one view and the orders that came."""

    def __init__(self, shown: NightView) -> None:
        self.shown, self.orders = shown, 0

    def view(self) -> NightView:
        return self.shown

    def submit(self, make: MakeEvent, **_more: Any) -> Any:
        make(0, 0)
        self.orders += 1
        return Answer()


def locked(by: str) -> Desk:
    garden = Garden().open()
    order(garden, "lock out", events.LockedOut, "p2", on=True, by=by)
    return Desk(view(garden))


@pytest.mark.parametrize(
    ("by", "on", "is_owner"), [("Ada", False, False), ("Ada", True, False), ("Mara", False, True)]
)
def test_who_locked_it_or_an_owner_ends_it(by: str, on: bool, is_owner: bool) -> None:
    desk = locked("Ada")
    Crew(desk).lock_out("p2", by, on=on, is_owner=is_owner)

    assert desk.orders == 1


@pytest.mark.parametrize(("on", "is_owner"), [(False, False), (True, False), (True, True)])
def test_nobody_else_ends_it_and_not_even_an_owner_takes_it_over(on: bool, is_owner: bool) -> None:
    desk = locked("Ada")
    with pytest.raises(CrewMistake, match="Ada works on it"):
        Crew(desk).lock_out("p2", "Mara", on=on, is_owner=is_owner)

    assert desk.orders == 0
