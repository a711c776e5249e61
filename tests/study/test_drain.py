"""Goal: a night's health says what each pack did, what it will have left, and which board broke.

Method: the garden's show file and counted readings made by hand; a folder of one evening.
"""

from pathlib import Path

import pytest

from haunt.bootstrap.clock import sunset_of
from haunt.study.drain import Counted, Curve, curves, floor_percent, off_points, priors
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showpower import Battery
from haunt.workshop.forecast import STEP_MS, Rate

GARDEN = Path("haunt/examples/garden.toml")
HOUR_MS = 3_600_000
STEPS = 12


@pytest.fixture(scope="module")
def garden() -> ReadShow:
    return read_show(GARDEN.read_text(), "garden.toml")


def told(
    step: int,
    percent: int | None,
    *,
    board: str = "well",
    boot: str = "b1",
    reset: str = "power-on",
    times: int = 60,
    at_ms: int | None = None,
) -> Counted:
    first_ms = step * STEP_MS if at_ms is None else at_ms
    return Counted(board, step, boot, percent, times, first_ms, 7000, 7400, reset)


def curve_of(garden: ReadShow, counted: list[Counted], board: str = "well") -> Curve:
    found = curves(
        garden.show, counted, {"well": Rate(6, 2)}, now_ms=STEPS * STEP_MS, until_ms=4 * HOUR_MS
    )
    [curve] = [each for each in found if each.board == board]
    return curve


def test_every_pack_of_the_show_has_a_curve_and_nothing_else(garden: ReadShow) -> None:
    found = curves(garden.show, [], {}, now_ms=0, until_ms=HOUR_MS)
    assert [each.board for each in found] == ["well", "hedge", "clock", "tree"]
    assert all(each.points == () and each.outlook is None for each in found)


def test_a_curve_goes_by_rest_and_shows_how_far_load_pulled(garden: ReadShow) -> None:
    counted = [
        each
        for step in range(STEPS)
        for each in (told(step, 90 - step), told(step, 70 - step, times=20))
    ]
    curve = curve_of(garden, counted)

    assert [each.percent for each in curve.points] == [90.0 - n for n in range(STEPS)]
    assert [each.low for each in curve.points] == [70 - n for n in range(STEPS)]
    assert curve.now is not None
    assert (curve.now.low, curve.now.at, curve.now.high) == (69, 79, 89)
    assert curve.outlook is not None
    assert 0 < curve.outlook.measured < 1


def test_restarts_close_together_are_one_streak(garden: ReadShow) -> None:
    counted = [
        told(0, 90),
        told(2, 88, boot="b2", reset="brown-out", at_ms=2 * STEP_MS),
        told(2, 88, boot="b3", reset="brown-out", at_ms=2 * STEP_MS + 60_000),
        told(9, 80, boot="b4", reset="brown-out", at_ms=9 * STEP_MS),
        told(9, 80, boot="b5", reset="watchdog", at_ms=9 * STEP_MS + 1000),
    ]
    curve = curve_of(garden, counted)

    assert [(each.reset, each.times) for each in curve.streaks] == [
        ("brown-out", 2),
        ("brown-out", 1),
        ("watchdog", 1),
    ]
    assert (curve.restarts, curve.brown_outs) == (4, 3)


def test_nickel_is_counted_from_a_full_pack_by_the_sums(garden: ReadShow) -> None:
    counted = [told(step, None, board="clock") for step in range(STEPS)]
    found = curves(
        garden.show,
        counted,
        {"clock": Rate(10, 2)},
        now_ms=STEPS * STEP_MS,
        until_ms=4 * HOUR_MS,
    )
    [clock] = [each for each in found if each.board == "clock"]

    assert clock.now is None, "its voltage tells nothing"
    assert clock.outlook is not None
    # Ten points an hour for the 57.5 min since the middle of its first five minutes. Arithmetic.
    assert clock.outlook.now.at == pytest.approx(90.4, abs=0.1)
    assert clock.outlook.measured == 0


def test_what_the_sums_expect_is_known_of_every_pack_with_a_sheet(garden: ReadShow) -> None:
    found = priors(garden, sunset_of(garden.show))

    assert set(found) <= {"well", "hedge", "clock", "tree"}
    assert found
    assert all(0 < rate.sigma < rate.at < 100 for rate in found.values())


def test_a_pack_is_done_where_its_props_retire(garden: ReadShow) -> None:
    assert floor_percent(garden.show, "hedge") == 20
    assert floor_percent(garden.show, "gate") == 10


def test_iron_phosphate_is_doubted_more_where_it_is_flat() -> None:
    flat = Battery(chemistry="lifepo4", series=4)
    steep = Battery(chemistry="lipo", series=2)

    assert off_points(flat, 13_080) >= 25
    assert off_points(steep, 7_600) == 10
    assert off_points(steep, None) == 10
