"""Goal: owners move things on the map, one version a move and a way back; others only look.

Method: the whole application over the garden's show file, by forms as a browser sends them.
"""

import re
from collections.abc import Iterator

import pytest

from haunt.core.calendar import no_sunset
from haunt.live.errors import CrewMistake
from haunt.site.map.moving import KEPT_MAX, Move, Mover
from haunt.site.map.pages import moves_of, sheets_of
from haunt.site.ports import ShowMovedOn
from haunt.study.places import Kind
from tests.site.map.garden import HTMX, Garden, TextKeeper, a_garden, example


@pytest.fixture(scope="module")
def one_garden() -> Iterator[Garden]:
    with a_garden() as found:
        yield found


@pytest.fixture
def garden(one_garden: Garden) -> Garden:
    """The application is one for all; its show and who asks are new."""
    one_garden.keeper.versions[:] = [example()]
    one_garden.keeper.by.clear()
    one_garden.become("owner")
    return one_garden


def spot(keeper: TextKeeper, prop: str) -> tuple[float | None, float | None]:
    found = next(each for each in keeper.show.props if each.id == prop)
    return found.x_m, found.y_m


def test_the_map_is_drawn_by_the_server_with_its_scale_and_its_assumptions(garden: Garden) -> None:
    page = garden.client.get("/map").text
    assert 'id="site-map"' in page
    for words in (
        "8 m; x to the right, y upwards; north is not known",
        "The path is 32 m: 45 s at 0.7 m/s.",
        "fence to number 7",
        "64 dBA (58 to 70)",
        "Within, but measure",
        "Starts at least 5 s apart: Gatekeeper and Lantern row;",
        "Nobody fires by hand, which overrules stagger.",
        "common practice, no source",
    ):
        assert words in page
    assert page.count('class="thing ') >= 34


def test_a_form_moves_what_differs_as_one_version_and_offers_the_way_back(garden: Garden) -> None:
    fields = {
        "x.prop.old-well": "9.5",
        "y.prop.old-well": "-2",
        "x.sensor.well-beam": "8",
        "y.sensor.well-beam": "0",
        "x.scare.old-well": "",
        "y.scare.old-well": "",
        "x.boundary.1": "12,25",
        "y.boundary.1": "9",
    }
    assert garden.post("/map", **fields) == (303, "/map?moved=2")
    assert spot(garden.keeper, "old-well") == (9.5, -2)
    assert garden.keeper.show.limits.boundary[0].x_m == 12.25
    assert garden.keeper.by == ["Mara"]
    page = garden.client.get("/map?moved=2").text
    assert "Moved, kept as version 2." in page

    assert garden.post("/map/undo", version="2") == (303, "/map")
    assert garden.keeper.versions[2] == example(), "comments and all"
    assert "kept as version" not in garden.client.get("/map?moved=2").text


def test_a_form_that_changes_nothing_makes_no_version(garden: Garden) -> None:
    same = {"x.prop.old-well": "9", "y.prop.old-well": "-2"}
    assert garden.post("/map", **same) == (303, "/map")
    assert len(garden.keeper.versions) == 1


@pytest.mark.parametrize(
    ("kind", "key", "old"),
    [
        (Kind.BOARD, "gate", (0.0, 1.5)),
        (Kind.SENSOR, "gate-pir", (0.0, 1.5)),
        (Kind.PROP, "old-well", (9.0, -2.0)),
        (Kind.SCARE, "hedge-arm", (14.0, 0.5)),
        (Kind.SCARE, "old-well", None),
        (Kind.SENSOR, "greeter", None),
        (Kind.BOUNDARY, "2", (-4.0, 0.0)),
        (Kind.HAZARD, "1", (17.5, -1.0)),
    ],
)
def test_each_kind_moves_and_comes_back_to_the_very_text(
    kind: Kind, key: str, old: tuple[float, float] | None
) -> None:
    keeper = TextKeeper()
    mover = Mover(keeper)
    done = mover.move([Move(kind, key, (3.25, -1.5))], "Mara")
    assert (done.version, done.things) == (2, 1)
    again = mover.move([Move(kind, key, (3.25, -1.5))], "Mara")
    assert again.things == 0, "it stands there"
    mover.undo(2, "Mara")
    if old is not None:
        assert keeper.versions[-1] == example()
    else:
        assert keeper.show == TextKeeper().show


def test_what_had_a_place_of_its_own_goes_back_to_its_board_when_emptied() -> None:
    keeper = TextKeeper()
    Mover(keeper).move([Move(Kind.PROP, "old-well", None)], "Mara")
    assert spot(keeper, "old-well") == (None, None)
    Mover(keeper).move([Move(Kind.SCARE, "hedge-arm", None)], "Mara")
    assert all(each.scare_spot is None for each in keeper.show.props if each.id == "hedge-arm")


def test_a_boundary_point_without_a_place_is_refused_and_nothing_moves(garden: Garden) -> None:
    fields = {
        "x.boundary.1": "",
        "y.boundary.1": "",
        "x.prop.old-well": "1",
        "y.prop.old-well": "1",
    }
    status, page = garden.post("/map", **fields)
    assert status == 422
    assert "Nothing was moved." in page
    assert len(garden.keeper.versions) == 1
    assert re.search(r'name="x.prop.old-well" value="1"', page), "what was typed is kept"


@pytest.mark.parametrize(
    ("x", "y", "said"),
    [
        ("1", "", "needs both x and y"),
        ("far", "1", "allowed: metres from -10,000 to 10,000"),
        ("nan", "1", "allowed: metres"),
        ("10001", "1", "allowed: metres"),
    ],
)
def test_a_field_that_is_no_place_is_refused_in_words(x: str, y: str, said: str) -> None:
    with pytest.raises(CrewMistake, match=said):
        moves_of({"x.prop.old-well": x, "y.prop.old-well": y})


def test_a_thing_that_is_not_there_is_refused() -> None:
    for kind, key in ((Kind.PROP, "nobody"), (Kind.BOUNDARY, "3"), (Kind.HAZARD, "x")):
        with pytest.raises(CrewMistake, match="There is no"):
            Mover(TextKeeper()).move([Move(kind, key, (0, 0))], "Mara")


def test_fields_that_nobody_touched_do_not_take_back_what_others_moved(garden: Garden) -> None:
    Mover(garden.keeper).move([Move(Kind.PROP, "gatekeeper", (7, 7))], "Jory")
    fields = {
        "was.prop.gatekeeper": "0.5,1.5",
        "x.prop.gatekeeper": "0.5",
        "y.prop.gatekeeper": "1.5",
        "was.prop.old-well": "9,-2",
        "x.prop.old-well": "4",
        "y.prop.old-well": "4",
    }
    assert garden.post("/map", **fields) == (303, "/map?moved=3")
    assert spot(garden.keeper, "gatekeeper") == (7, 7)
    assert spot(garden.keeper, "old-well") == (4, 4)


def test_a_thing_that_somebody_else_moved_meanwhile_is_not_moved_unseen(garden: Garden) -> None:
    Mover(garden.keeper).move([Move(Kind.PROP, "old-well", (7, 7))], "Jory")
    fields = {"was.prop.old-well": "9,-2", "x.prop.old-well": "4", "y.prop.old-well": "4"}
    status, page = garden.post("/map", **fields)
    assert status == 422
    assert "somebody else has moved prop old-well meanwhile" in page
    assert 'name="x.prop.old-well" value="4"' in page, "what was typed is kept"
    assert 'name="was.prop.old-well" value="7,7"' in page, "pressed again, it counts"
    assert spot(garden.keeper, "old-well") == (7, 7)


def test_the_form_as_it_is_drawn_moves_nothing(garden: Garden) -> None:
    page = garden.client.get("/map").text
    drawn = re.findall(r'name="((?:x|y|was)\.[a-z]+\.[a-z0-9-]+)" value="([^"]*)"', page)
    assert len(drawn) == 3 * 42
    assert garden.post("/map", **dict(drawn)) == (303, "/map")


def test_a_drag_goes_on_top_of_what_somebody_else_changed_meanwhile() -> None:
    keeper = TextKeeper()
    keeper.quicker = example().replace('name = "Old well"', 'name = "New well"')
    done = Mover(keeper).move([Move(Kind.PROP, "old-well", (4, 4))], "Mara")
    assert done.version == 3
    assert 'name = "New well"' in keeper.versions[-1]
    assert spot(keeper, "old-well") == (4, 4)


def test_a_move_is_taken_back_only_while_nothing_else_has_changed() -> None:
    keeper = TextKeeper()
    mover = Mover(keeper)
    mover.move([Move(Kind.PROP, "old-well", (4, 4))], "Mara")
    keeper.versions.append(keeper.versions[-1] + "\n# more\n")
    assert not mover.can_undo(2)
    with pytest.raises(ShowMovedOn):
        mover.undo(2, "Mara")
    with pytest.raises(CrewMistake, match="not known any more"):
        mover.undo(3, "Mara")


def test_only_so_many_moves_are_remembered() -> None:
    keeper = TextKeeper()
    mover = Mover(keeper)
    for n in range(KEPT_MAX + 1):
        mover.move([Move(Kind.PROP, "old-well", (n, 4))], "Mara")
    with pytest.raises(CrewMistake, match="not known any more"):
        mover.undo(2, "Mara")


def test_a_script_gets_the_reason_as_a_notice(garden: Garden) -> None:
    answer = garden.client.post(
        "/map", data={"x.prop.nobody": "1", "y.prop.nobody": "1"}, headers=HTMX
    )
    assert answer.status_code == 404
    assert "There is no prop" in answer.text
    assert "<html" not in answer.text


@pytest.mark.parametrize("role", ["watch", "crew"])
def test_who_is_no_owner_sees_the_map_and_moves_nothing(garden: Garden, role: str) -> None:
    garden.become(role)
    page = garden.client.get("/map").text
    assert 'id="site-map"' in page
    assert "data-editable" not in page
    assert 'action="/map"' not in page
    status, _ = garden.post("/map", **{"x.prop.old-well": "1", "y.prop.old-well": "1"})
    assert status == 403
    assert len(garden.keeper.versions) == 1


def test_words_of_the_file_are_escaped(garden: Garden) -> None:
    garden.keeper.versions.append(example().replace('name = "Old well"', 'name = "<b>well</b>"'))
    page = garden.client.get("/map").text
    assert "<b>well" not in page
    assert "&lt;b&gt;well" in page


def test_the_sums_are_done_once_a_version() -> None:
    sheets = sheets_of(lambda _file: no_sunset)
    first = sheets.of(example())
    assert sheets.of(example()) is first
    moved = example().replace("x_m = 9\ny_m = -2", "x_m = 10\ny_m = -2")
    assert sheets.of(moved).plan != first.plan


def test_a_prop_moved_to_the_fence_plays_only_what_the_limit_lets(garden: Garden) -> None:
    before = garden.client.get("/map").text
    garden.post("/map", **{"x.prop.porch-organ": "12", "y.prop.porch-organ": "6"})
    after = garden.client.get("/map").text
    assert "Porch organ chord 66" not in before
    # 76 dBA at 1 m is 66.5 dBA at 3 m, over the limit of 65: only the soft chord may play then.
    assert "Porch organ soft-chord 52" in after


def test_a_file_that_cannot_be_read_is_told_in_its_faults(garden: Garden) -> None:
    garden.keeper.versions.append('[show]\nid = "garden"\n')
    page = garden.client.get("/map").text
    assert "show.time_zone" in page
