"""Goal: the drawn map is true to scale, says how large it is, and shows what the plan has.

Method: the example garden and small shows as drawings; positions are read back into metres.
"""

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.site.map.drawing import Drawing, drawing_of
from haunt.site.map.frame import HEIGHT_MAX, WIDTH, frame_of
from haunt.study.siteplan import SitePlan, plan_of
from haunt.wire.showfile import read_show
from tests.site.map.garden import example

CROWD = 220


def drawn(text: str) -> Drawing:
    return drawing_of(plan(text))


def plan(text: str) -> SitePlan:
    file = read_show(text, "show").show
    return plan_of(file, sunset_of(file))


@pytest.fixture(scope="module")
def garden() -> Drawing:
    return drawn(example())


def metres(d: Drawing, x: str, y: str) -> tuple[float, float]:
    scale = float(d.scale)
    return float(x) / scale + float(d.left_m), float(d.top_m) - float(y) / scale


def test_every_thing_stands_where_the_file_says_to_scale(garden: Drawing) -> None:
    marks = {(each.kind, each.key): each for each in garden.marks}
    assert len(marks) == 8 + 10 + 10 + 2 + 2 + 2, "boards, sensors, props, scares, points, hazards"
    for each in marks.values():
        x, y = metres(garden, each.x, each.y)
        assert (x, y) == pytest.approx((float(each.x_m), float(each.y_m)), abs=0.05)
    assert metres(garden, marks["prop", "old-well"].x, "0")[0] == pytest.approx(9, abs=0.05)


def test_y_grows_upwards_and_one_scale_holds_both_ways() -> None:
    frame = frame_of([(0, 0), (10, 0), (0, 10)])
    corner, right, up = frame.at((0, 0)), frame.at((10, 0)), frame.at((0, 10))
    assert up[1] < corner[1]
    assert right[0] - corner[0] == pytest.approx(corner[1] - up[1])


@pytest.mark.parametrize("far", [0.0, 3.0, 40.0, 900.0, 19_000.0])
@pytest.mark.parametrize("tall", [0.0, 5.0, 700.0])
def test_a_garden_of_any_size_fits_the_sheet_with_a_round_grid(far: float, tall: float) -> None:
    frame = frame_of([(0, 0), (far, tall)])
    for spot in ((0.0, 0.0), (far, tall)):
        x, y = frame.at(spot)
        assert frame.sheet.left <= x <= frame.sheet.right
        assert frame.sheet.top <= y <= frame.sheet.bottom
    assert frame.height <= HEIGHT_MAX + 1e-6
    assert frame.square_m * frame.scale >= 10 or far > 10_000
    steps = {
        round(b[1] - a[1], 6) for a, b in zip(frame.columns(), frame.columns()[1:], strict=False)
    }
    assert steps <= {frame.square_m}


def test_the_scale_bar_is_as_long_as_it_says(garden: Drawing) -> None:
    units = float(garden.bar.x2) - float(garden.bar.x1)
    said = float(garden.bar_words.removesuffix(" m"))
    assert units / float(garden.scale) == pytest.approx(said, rel=0.01)


def test_all_names_of_the_garden_find_room(garden: Drawing) -> None:
    assert garden.unlettered == ()
    named = [each for each in garden.marks if each.kind != "scare"]
    assert all(each.label is not None for each in named)


def test_lines_follow_the_plan(garden: Drawing) -> None:
    there = plan(example())
    assert len(garden.neighbours) == len(there.neighbours) == 3
    assert len(garden.views) == 4
    assert len(garden.ties) == 2
    assert len(garden.trail.split()) == 2 * len(there.trail.stops)
    assert len(garden.levels) >= 8
    assert {each.text for each in garden.times} <= {
        "0.4 s",
        "2.1 s",
        "1.4 s",
        "0.3 s",
        "1.1 s",
        "4.3 s",
        "4.0 s",
    }


def test_a_sector_reaches_as_far_as_the_sensor_and_opens_along_its_aim(garden: Drawing) -> None:
    (view,) = [each for each in garden.views if each.sensor == "gate-pir"]
    points = [
        metres(garden, *each.split())
        for each in view.d.removeprefix("M").removesuffix("Z").split("L")
    ]
    assert points[0] == pytest.approx((0, 1.5), abs=0.05)
    middle = points[1 + len(points[1:]) // 2]
    assert middle == pytest.approx((0, -3.5), abs=0.05), "5 m along -90 degrees"


def test_a_sensor_without_an_aim_sees_all_round_and_a_beam_is_a_line() -> None:
    head = '[show]\nid = "y"\ntime_zone = "UTC"\n[[board]]\nid = "b"\n'
    row = '[[sensor]]\nid = "{id}"\nboard = "b"\nkind = "{kind}"\nx_m = 1\ny_m = 1\nrange_m = 4\n'
    radar = row.format(id="r", kind="radar")
    beam = row.format(id="l", kind="beam") + "aim_deg = 0\n"
    d = drawn(head + radar + beam)
    assert [each.d.count("L") for each in d.views] == [36, 1]
    assert not d.views[0].d.startswith(f"M{d.marks[0].x} ")


def test_an_empty_show_is_an_empty_sheet() -> None:
    d = drawn('[show]\nid = "y"\ntime_zone = "UTC"\n')
    assert d.marks == ()
    assert d.width == f"{WIDTH:.0f}"
    assert d.bar_words.endswith(" m")


def test_two_hundred_props_are_drawn_and_what_has_no_name_is_listed() -> None:
    head = '[show]\nid = "y"\ntime_zone = "UTC"\n[[board]]\nid = "b"\n'
    head += "[stagger]\nradius_m = 3\ngap_s = 4\n"
    rows = [
        f'[[prop]]\nid = "p{n}"\nboard = "b"\nname = "A prop of the number {n}"\n'
        f"x_m = {n % 20 * 2}\ny_m = {n // 20 * 2}\n"
        f'[[prop.behaviour]]\nid = "howl"\nduration_s = 5\nlevel_dba = 80\n'
        for n in range(CROWD)
    ]
    d = drawn(head + "".join(rows))
    props = [each for each in d.marks if each.kind == "prop"]
    assert len(props) == CROWD
    assert len(d.unlettered) == sum(each.label is None for each in d.marks if each.kind != "scare")
