"""Goal: a view becomes words that a person in the dark can act on, most pressing first.

Method: views of an invented night, and what the presenter makes of them.
"""

from dataclasses import replace

import pytest

from haunt.live.views import AlertView, Counters, NightView, PropWord
from haunt.site.fragments import wants_of
from haunt.site.needs import needs_of
from haunt.site.presenter import SHAPES, Presenter, tuned
from tests.site.night import DUSK_MS, a_board, a_night, a_prop, a_row


def said(night: NightView) -> list[str]:
    return [each.what for each in needs_of(night, lambda at_ms: f"<{at_ms}>")]


def test_a_calm_night_needs_nobody() -> None:
    assert said(a_night([a_prop("owl", "Tin owl", PropWord.PLAYING)])) == []


def test_what_stops_the_whole_show_comes_before_one_prop_and_counts_come_last() -> None:
    night = replace(
        a_night([a_prop("owl", "Tin owl", PropWord.LOST)]),
        link_up=False,
        broken="play twice",
        counters=Counters(malformed=2, malformed_by_kind=(("motion", 2),), not_journalled=12),
    )

    found = said(night)

    assert found[0] == "The rules broke: play twice"
    assert found[1] == "No broker: nothing can fire"
    assert found[2].startswith("Tin owl: lost")
    assert found[3:] == ["12 motions not journalled", "2 messages made no sense (2 motion)"]


def test_a_lost_board_is_named_once_with_all_that_it_carries() -> None:
    owl = a_prop("owl", "Tin owl", PropWord.LOST, "pear tree")
    bell = a_prop("bell", "Drowned bell", PropWord.LOST, board="b-owl")
    board = replace(a_board(owl), props=("owl", "bell"))
    alert = AlertView("lost b-owl", DUSK_MS, "Board b-owl is lost")
    night = replace(a_night([owl, bell]), boards={"b-owl": board}, alerts=(alert,))

    [only] = said(night)

    assert only.startswith("Tin owl, pear tree; Drowned bell: lost <")


def test_a_board_that_has_only_sensors_is_missed_too() -> None:
    eye = replace(a_board(a_prop("eye", "Eye", PropWord.LOST)), id="b-eye", props=())

    assert said(replace(a_night([]), boards={"b-eye": eye})) == [
        f"Sensors only: lost <{eye.last_heard_ms}>"
    ]


def test_an_alert_that_no_other_line_tells_is_told() -> None:
    alert = AlertView("stuck gate-pir", DUSK_MS, "Sensor gate-pir is stuck")

    assert said(replace(a_night([]), alerts=(alert,))) == ["Sensor gate-pir is stuck"]


def test_states_differ_without_colour() -> None:
    assert set(SHAPES) == set(PropWord)
    assert len({shape for shape, _ in SHAPES.values()}) == len(PropWord)
    assert len({word for _, word in SHAPES.values()}) == len(PropWord)


def test_the_one_line_for_all_props_counts_each_state_ready_first() -> None:
    props = [
        a_prop("a", "A", PropWord.REST),
        a_prop("b", "B", PropWord.READY),
        a_prop("c", "C", PropWord.LOST),
        a_prop("d", "D", PropWord.READY),
    ]

    texts = [each.text for each in Presenter(a_night(props)).fold().counts]

    assert texts == ["2 ready", "1 rest", "0 playing", "1 lost"], "what comes and goes stays"
    assert Presenter(a_night([])).fold().counts == ()


def test_the_outline_changes_with_the_list_of_props_and_not_with_their_state() -> None:
    night = a_night([a_prop("a", "A", PropWord.READY), a_prop("b", "B", PropWord.READY)])
    busy = a_night([a_prop("a", "A", PropWord.PLAYING), a_prop("b", "B", PropWord.REST)])
    more = a_night([*night.props.values(), a_prop("c", "C", PropWord.READY)])

    assert Presenter(night).outline() == Presenter(busy).outline()
    assert Presenter(night).outline() != Presenter(more).outline()


@pytest.mark.parametrize(
    ("until_ms", "left"), [(1, "1 s"), (12_000, "12 s"), (-5, "0 s"), (300_000, "5 min")]
)
def test_a_resting_prop_says_how_long_even_without_scripts(until_ms: int, left: str) -> None:
    prop = a_prop("owl", "Tin owl", PropWord.REST, until_ms=DUSK_MS + until_ms)

    assert Presenter(a_night([prop])).card(prop).left == left


def test_an_entry_of_another_day_has_its_date() -> None:
    presenter = Presenter(a_night())
    row = a_row(30, "owl", "refused", "cooldown")

    today = presenter.entry(row)
    earlier = presenter.entry({**row, "at": "2026-10-24T18:30:05.000Z", "prop": "gone"})

    assert (today.clock, today.name, today.prop) == ("18:30:05", "Tin owl", "owl")
    assert earlier.clock == "24 Oct 19:30:05", "it was summer time"
    assert (earlier.name, earlier.prop) == ("gone", ""), "a prop that is no more has no page"
    assert "4.2 s left" in today.sentence


def test_a_changed_cooldown_offers_the_way_back() -> None:
    notice = tuned(a_prop("owl", "Tin owl", PropWord.READY, cooldown_ms=17_000), "12")

    assert notice.text == "Tin owl now rests 17 s; it was 12 s."
    assert notice.undo is not None
    assert (notice.undo.path, notice.undo_name, notice.undo_value) == (
        "/props/owl/cooldown",
        "cooldown_s",
        "12",
    )


def test_a_map_is_drawn_of_three_placed_props_and_stays_within_its_frame() -> None:
    places = [(0.0, 0.0), (32.0, -4.0), (10.0, 4.0), (None, 3.0)]
    props = [
        a_prop(f"p{at}", "P", PropWord.READY, x_m=x, y_m=y) for at, (x, y) in enumerate(places)
    ]

    spots = Presenter(a_night(props)).spots()

    assert [each.id for each in spots] == ["p0", "p1", "p2"]
    assert all(0 < float(each.at.x) < 600 and 0 < float(each.at.y) < 110 for each in spots)
    assert float(spots[2].at.y) < float(spots[1].at.y), "north is up"
    assert Presenter(a_night(props[:2])).spots() == ()
    on_one_spot = a_night([replace(each, x_m=1.0, y_m=1.0) for each in props])
    assert len(Presenter(on_one_spot).spots()) == 4


@pytest.mark.parametrize(
    ("page", "wanted", "not_wanted"),
    [
        ("tonight", {"bar", "needs", "fold", "prop-owl"}, {"tune-owl", "board-b-owl"}),
        ("prop-owl", {"bar", "prop-owl", "tune-owl"}, {"prop-bell", "tune-bell", "needs"}),
        ("boards", {"bar", "board-b-owl"}, {"prop-owl", "needs"}),
        ("bar", {"bar"}, {"needs", "prop-owl", "prop-bar"}),
        ("nonsense", {"bar"}, {"needs", "prop-owl"}),
    ],
)
def test_a_page_is_sent_what_it_shows_and_always_the_bar(
    page: str, wanted: set[str], not_wanted: set[str]
) -> None:
    wants = wants_of(page)

    assert {each for each in wanted | not_wanted if wants(each)} == wanted


def test_a_board_that_was_never_heard_is_not_said_to_be_lost() -> None:
    night = a_night([a_prop("owl", "Tin owl", PropWord.LOST)])
    board = replace(night.boards["b-owl"], here=False, last_heard_ms=None)
    presenter = Presenter(replace(night, boards={"b-owl": board}))

    card = presenter.board(board)
    assert (card.word, card.heard) == ("Not here", "not heard yet")
    [need] = [each for each in presenter.needs().rows if "not heard yet" in each.what]
    assert "its file on it?" in need.todo
    assert need.href == "/boards/b-owl"


def test_a_prop_that_is_closed_within_the_hours_says_why() -> None:
    """No word where it is closed because the doors are."""
    for barred, said in (("quiet-hours", "quiet hours"), ("", "")):
        owl = a_prop("owl", "Tin owl", PropWord.CLOSED, barred=barred)
        assert Presenter(a_night([owl])).card(owl).detail == said


def test_doors_that_somebody_shut_are_said_to_be_so() -> None:
    for doors, said in (("closed", "Closed by hand"), ("timetable", "Closed: no night lies ahead")):
        night = replace(a_night(), open=False, doors=doors)
        assert Presenter(night).summary().state == said


@pytest.mark.parametrize(
    ("hours", "said"), [(2, "Closed until 20:30"), (23 + 24 * 14, "Closed until 15 Nov, 17:30")]
)
def test_closed_doors_say_when_they_open(hours: int, said: str) -> None:
    night = replace(a_night(), open=False, doors="timetable")
    ahead = replace(night, opens_ms=night.at_ms + hours * 3_600_000)

    assert Presenter(ahead).summary().state == said


def test_a_gentle_span_by_hand_is_counted_down() -> None:
    night = replace(a_night(), phases=("gentle",), hand_phase_until_ms=DUSK_MS + 1_800_000 + 60_000)

    summary = Presenter(replace(night, at_ms=DUSK_MS + 1_800_000)).summary()

    assert (summary.mild_ms, summary.mild_left) == (DUSK_MS + 1_860_000, "60 s")
