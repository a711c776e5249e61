"""Goal: the example shows can be copied as they are. Method: each is read, written, sent around."""

from pathlib import Path

import pytest

from haunt.core.clockwork import TimeOfDay
from haunt.wire.showedit import set_value
from haunt.wire.showfile import ReadShow, read_show, show_from_json, show_to_json

FOLDER = Path(__file__).parent.parent.parent / "haunt" / "examples"
FILES = sorted(FOLDER.glob("*.toml"))


def _read(name: str) -> ReadShow:
    return read_show((FOLDER / f"{name}.toml").read_text(encoding="utf-8"), f"{name}.toml")


def test_the_examples_are_there() -> None:
    assert {file.stem for file in FILES} >= {"first-night", "garden"}


@pytest.mark.parametrize("name", [file.stem for file in FILES])
def test_an_example_is_valid_and_comes_back_byte_by_byte(name: str) -> None:
    read = _read(name)
    assert read.show.info.id == name
    assert read.text == (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    assert show_from_json(show_to_json(read.show)) == read.show


@pytest.mark.parametrize("name", [file.stem for file in FILES])
def test_every_prop_of_an_example_can_be_tuned_without_losing_a_comment(name: str) -> None:
    read = _read(name)
    for prop in read.show.props:
        changed = set_value(read, "prop", prop.id, "cooldown_s", 61)
        assert {each.id: each.cooldown_ms for each in changed.show.props}[prop.id] == 61_000
        before, after = read.text.split("\n"), changed.text.split("\n")
        assert len(before) == len(after)
        assert sum(old != new for old, new in zip(before, after, strict=True)) == 1


def test_every_prop_and_sensor_of_an_example_is_linked() -> None:
    for file in FILES:
        show = _read(file.stem).show
        assert {link.prop for link in show.links} == {prop.id for prop in show.props}
        fires = {sensor.id for sensor in show.sensors if sensor.action == "fire"}
        assert {link.sensor for link in show.links} == fires


def test_the_first_night_is_small_and_has_neighbours_and_quiet_hours() -> None:
    show = _read("first-night").show
    assert (len(show.boards), len(show.props), len(show.sensors)) == (3, 3, 3)
    assert (show.stagger.radius_m, show.stagger.gap_ms) == (5, 6000)
    assert show.quiet[0].start == TimeOfDay(21 * 60)
    gate, well, tree = ((board.x_m or 0, board.y_m or 0) for board in show.boards)
    apart = [abs(complex(*gate) - complex(*other)) for other in (well, tree)]
    assert apart[0] <= 5 < apart[1]


def test_the_garden_shows_what_a_show_file_can_say() -> None:
    show = _read("garden").show
    assert len(show.props) >= 9
    assert len(show.boards) == 8
    assert [phase.max_intensity for phase in show.phases] == [2, 5]
    assert all((show.quiet, show.supplies, show.circuits, show.timetable, show.hazards))
    assert all(board.supply or board.battery for board in show.boards)
    assert show.stagger.gap_ms
    assert show.limits.boundary


def test_a_garden_prop_that_could_hurt_is_armed_by_hand_and_has_its_own_switch() -> None:
    show = _read("garden").show
    armed = [prop for prop in show.props if prop.arm_by_hand]
    assert {prop.id for prop in armed} == {"hedge-arm", "shed-door"}
    assert all(prop.cut_off for prop in armed)


def test_no_behaviour_of_the_garden_is_stronger_than_its_supply() -> None:
    show = _read("garden").show
    boards = {board.id: board for board in show.boards}
    for supply in show.supplies:
        if supply.limit_a is None:
            continue
        idle_ma = sum(board.idle_ma or 0 for board in boards.values() if board.supply == supply.id)
        peaks = [
            behaviour.peak_ma or 0
            for prop in show.props
            if boards[prop.board].supply == supply.id
            for behaviour in prop.behaviours
        ]
        assert peaks
        assert idle_ma + max(peaks) <= supply.limit_a * 1000
