"""Goal: from a show with nothing to one that plays, by steps that each leave a show that holds.

Method: the steps on the text; the file's own reader judges what they leave.
"""

from datetime import date

import pytest

from haunt.wire.firstshow import Thing, add_thing, empty_show, open_on
from haunt.wire.showdraft import Draft
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showmodels import ShowFile


def after(*things: Thing, read: ReadShow | None = None) -> ReadShow:
    draft = Draft(read or read_show(empty_show("Europe/Vienna"), "show"))
    for each in things:
        add_thing(draft, each)
    return draft.read()


def ids(show: ShowFile) -> list[list[str]]:
    return [[each.id for each in rows] for rows in (show.boards, show.sensors, show.props)]


def test_a_show_with_nothing_in_it_holds() -> None:
    show = read_show(empty_show("Europe/Vienna"), "show").show

    assert (show.info.time_zone, show.props, show.nights) == ("Europe/Vienna", (), ())


def test_a_name_alone_makes_a_board_a_sensor_a_prop_and_their_link() -> None:
    show = after(Thing("Old Owl")).show
    [prop], [link] = show.props, show.links

    assert ids(show) == [["old-owl"], ["old-owl-pir"], ["old-owl"]]
    assert (prop.name, prop.board, prop.cooldown_ms) == ("Old Owl", "old-owl", 20_000)
    assert [(each.id, each.duration_ms) for each in prop.behaviours] == [("act", 5000)]
    assert (link.sensor, link.prop, link.delay_ms) == ("old-owl-pir", "old-owl", None)
    assert show.sensors[0].warm_up_ms == 40_000


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("Größe", "groe"),
        ("!!!", "prop"),
        ("all", "all-2"),
        ("x" * 90, "x" * 24),
        ("Eule 2", "eule-2"),
    ],
)
def test_any_name_gives_an_id_that_the_wire_takes(name: str, wanted: str) -> None:
    assert after(Thing(name)).show.props[0].id == wanted


def test_two_of_one_name_get_ids_of_their_own() -> None:
    assert ids(after(Thing("Owl"), Thing("Owl")).show) == [
        ["owl", "owl-2"],
        ["owl-pir", "owl-2-pir"],
        ["owl", "owl-2"],
    ]


def test_a_second_prop_may_hang_on_the_first_ones_board_and_pins_add_up() -> None:
    one = after(Thing("Owl", sensor_pin=4, prop_pin=16))
    show = after(Thing("Bat", "beam", board="owl", sensor_pin=0), read=one).show

    assert ids(show) == [["owl"], ["owl-pir", "bat-beam"], ["owl", "bat"]]
    assert show.boards[0].pins == {"owl-pir": 4, "owl": 16, "bat-beam": 0}


def test_a_date_gets_its_hours_once_and_new_ones_replace_them() -> None:
    day = date(2026, 10, 31)
    draft = Draft(after(Thing("Owl")))
    open_on(draft, day, "18:00", "21:00")
    open_on(draft, day, "17:30", "22:00")
    open_on(draft, date(2026, 11, 1), "18:00", "20:00")
    nights = draft.read().show.nights

    assert [(each.date.day, each.opens.minutes, each.closes.minutes) for each in nights] == [
        (31, 17 * 60 + 30, 22 * 60),
        (1, 18 * 60, 20 * 60),
    ]
