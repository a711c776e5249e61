"""Goal: names on a map never cover each other, a symbol or the edge, and are the same every time.

Method: random sheets; the boxes are compared pair by pair without the squares that the search uses.
"""

from hypothesis import given, settings
from hypothesis import strategies as st

from haunt.site.map.lettering import Box, Wanted, letter, width_of
from haunt.site.map.tonight import SHEET as TONIGHT
from haunt.site.map.tonight import SYMBOL, laid_out

SHEET = Box(0, 0, 600, 400)

wanted = st.builds(
    Wanted,
    st.integers(0, 600).map(float),
    st.integers(0, 400).map(float),
    st.just(8.0),
    st.text("ab MI.Wü—lampe", min_size=1, max_size=24),
    st.sampled_from([9.0, 11.0, 13.0]),
    st.booleans(),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(wanted, max_size=60))
def test_no_name_covers_another_or_a_symbol_or_leaves_the_sheet(found: list[Wanted]) -> None:
    symbols = tuple(Box(e.x - 8, e.y - 8, e.x + 8, e.y + 8) for e in found)
    boxes = [each.box for each in letter(tuple(found), symbols, SHEET) if each is not None]
    for number, box in enumerate(boxes):
        assert box.within(SHEET)
        assert not any(box.meets(other) for other in (*boxes[number + 1 :], *symbols))


@given(st.lists(wanted, max_size=12))
def test_the_same_sheet_is_lettered_the_same(found: list[Wanted]) -> None:
    again = letter.__wrapped__(tuple(found), (), SHEET)
    assert letter(tuple(found), (), SHEET) == again


def test_a_name_alone_stands_to_the_right_of_its_symbol() -> None:
    (got,) = letter((Wanted(300, 200, 8, "Old well", 12),), (), SHEET)
    assert got is not None
    assert got.anchor == "start"
    assert got.leader is None
    assert 300 + 8 < got.x < 300 + 8 + 12
    assert got.box.top < 200 < got.box.bottom


def test_at_the_right_edge_it_stands_to_the_left_and_grows_that_way() -> None:
    (got,) = letter((Wanted(595, 200, 8, "Old well", 12),), (), SHEET)
    assert got is not None
    assert got.anchor == "end"
    assert got.x == got.box.right < 595


def test_a_name_that_must_go_far_has_a_line_back_to_its_symbol() -> None:
    crowd = tuple(
        Box(x, y, x + 40, y + 30) for x in range(180, 420, 40) for y in range(110, 290, 30)
    )
    (got,) = letter((Wanted(300, 200, 8, "Old well", 12),), crowd, SHEET)
    assert got is not None
    assert got.leader is not None


def test_what_only_makes_sense_near_is_left_off_where_there_is_no_room() -> None:
    full = (Box(250, 150, 350, 250),)
    (got,) = letter((Wanted(300, 200, 2, "67 dB", 12, is_near=True),), full, SHEET)
    assert got is None


def test_a_full_sheet_leaves_names_off_instead_of_laying_them_over_others() -> None:
    crowd = tuple(Wanted(300, 200, 8, "Lamp in the shed", 13) for _ in range(300))
    got = letter(crowd, (), SHEET)
    assert got[0] is not None
    assert None in got


def test_a_line_is_kept_free_where_another_side_will_do() -> None:
    way = tuple((float(x), 200.0) for x in range(0, 600, 10))
    (got,) = letter((Wanted(300, 200, 8, "Old well", 12),), (), SHEET, way)
    assert got is not None
    assert not got.box.top <= 200 <= got.box.bottom


def test_wide_letters_take_more_room_than_narrow_ones() -> None:
    assert width_of("WWWW", 12) > width_of("oooo", 12) > width_of("iiii", 12)


# --- tonight's map


def test_two_props_a_metre_apart_keep_their_names_apart() -> None:
    """They lay over each other as long as every name stood under its symbol."""
    named = [
        ("Gatekeeper", (0.5, 1.5)),
        ("Shed door", (22.0, 4.0)),
        ("Lamp in the shed", (23.0, 4.0)),
        ("Door knocker", (32.0, 0.0)),
    ]
    found = laid_out(named)
    assert all(each.has_name for each in found)
    boxes = []
    for (name, _), each in zip(named, found, strict=True):
        x, wide = float(each.x) + float(each.name_x), width_of(name, 7)
        left = x - {"start": 0.0, "middle": wide / 2, "end": wide}[each.anchor]
        base = float(each.y) + float(each.name_y)
        boxes.append(Box(left, base - 7, left + wide, base))
    assert not any(a.meets(b) for n, a in enumerate(boxes) for b in boxes[n + 1 :])
    assert all(box.within(TONIGHT) for box in boxes)
    gap = float(found[2].x) - float(found[1].x)
    assert gap >= 2 * SYMBOL, "their symbols stand side by side, too"
