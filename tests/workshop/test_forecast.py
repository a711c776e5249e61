"""Goal: a watched pack's end is foretold, first by its sums and then by what it does, and honestly.

Method: packs emptied on paper by published voltage curves (`discharges.py`) that are not, but for
three, those of the tool's own tables; the truth is the charge counted there. Tolerances stand
beside the checks; the figures printed are those of this run.
"""

from itertools import pairwise
from statistics import fmean, median

import pytest

from haunt.core.calendar import HOUR_MS
from haunt.workshop.band import Band
from haunt.workshop.forecast import (
    STEP_MS,
    STEPS_MAX,
    Outlook,
    Rate,
    Reading,
    Trail,
    blended,
    expected,
    forecast,
    measured,
)
from tests.workshop.discharges import CELLS, FLAT, NIGHT_H, Watched, evenings

HOURS = (0.25, 1.0, 2.0, 3.0)
SEEDS = range(14)


def falling(rate: float, hours: float, start: float = 95.0) -> list[Reading]:
    return [
        Reading(n * STEP_MS, start - rate * n * STEP_MS / HOUR_MS)
        for n in range(int(hours * HOUR_MS / STEP_MS) + 1)
    ]


def outlook_of(watched: Watched) -> Outlook:
    found = forecast(
        watched.prior,
        watched.readings,
        now_ms=watched.now_ms,
        until_ms=watched.until_ms,
        off_points=watched.off_points,
    )
    assert found is not None
    return found


def by_sums_alone(watched: Watched) -> float:
    left_h = (watched.until_ms - watched.now_ms) / HOUR_MS
    return max(0.0, watched.readings[-1].percent - left_h * watched.prior.at)


@pytest.fixture(scope="module")
def told() -> dict[float, list[tuple[Watched, Outlook]]]:
    found: dict[float, list[tuple[Watched, Outlook]]] = {hours: [] for hours in HOURS}
    for each in evenings(CELLS, SEEDS, HOURS):
        if each.now_percent > 5:
            found[each.hours].append((each, outlook_of(each)))
    return found


# Median and 90th percentile of the error at the end, in points. Tolerance: what this simulation
# gives, and a third more; the tables' own spread of 10 points (references) is most of it.
@pytest.mark.parametrize(
    ("hours", "median_most", "worst_most"), [(1.0, 8, 28), (2.0, 6, 25), (3.0, 4, 27)]
)
def test_the_error_at_the_end_is_small_and_less_than_that_of_the_sums_alone(
    told: dict[float, list[tuple[Watched, Outlook]]],
    hours: float,
    median_most: float,
    worst_most: float,
) -> None:
    ours = sorted(abs(o.at_end.at - w.end_percent) for w, o in told[hours])
    sums = [abs(by_sums_alone(w) - w.end_percent) for w, _ in told[hours]]
    print(
        f"after {hours:g} of {NIGHT_H:g} h: median {median(ours):.1f}, 90th percentile "
        f"{ours[int(0.9 * len(ours))]:.1f} points; sums alone median {median(sums):.1f}"
    )
    assert median(ours) <= median_most
    assert ours[int(0.9 * len(ours))] <= worst_most
    assert median(ours) < median(sums)


def test_nineteen_of_twenty_is_nearly_kept(
    told: dict[float, list[tuple[Watched, Outlook]]],
) -> None:
    # Aim 0.95. After three hours what is left is the table's error, which for one cell of another
    # maker is more than the ten points that the table admits: 0.75 there.
    for hours, least in ((0.25, 0.9), (1.0, 0.85), (2.0, 0.85), (3.0, 0.75)):
        kept = fmean(o.at_end.low - 0.5 <= w.end_percent <= o.at_end.high for w, o in told[hours])
        print(f"after {hours:g} h the band held {kept:.2f}")
        assert kept >= least, hours


def test_the_chance_to_last_is_better_than_knowing_how_often_packs_last(
    told: dict[float, list[tuple[Watched, Outlook]]],
) -> None:
    # Brier's score: mean square of chance less outcome; always saying the mean gives its variance.
    # Before half of the night it is not: a cell of another maker that reads low is all there is.
    for hours in HOURS[1:]:
        lasted = [w.end_percent > 10 for w, _ in told[hours]]
        score = fmean((o.sure - (w.end_percent > 10)) ** 2 for w, o in told[hours])
        usual = fmean(lasted) * (1 - fmean(lasted))
        print(f"after {hours:g} h: {score:.3f} against {usual:.3f}")
        assert score < 0.9 * usual


def test_the_weight_goes_over_to_the_readings(
    told: dict[float, list[tuple[Watched, Outlook]]],
) -> None:
    weights = [fmean(o.measured for _, o in told[hours]) for hours in HOURS]

    assert weights[0] == 0, "a quarter of an hour says nothing"
    assert all(low < high for low, high in pairwise(weights))
    assert weights[-1] > 0.5


def test_iron_phosphate_is_foretold_with_the_doubt_it_deserves(
    told: dict[float, list[tuple[Watched, Outlook]]],
) -> None:
    """Its voltage is flat: the forecast is hardly more than the sums, and says so by its band."""
    found = [(each, outlook_of(each)) for each in evenings(FLAT, SEEDS[:6], (2.0,))]
    widths = [o.at_end.high - o.at_end.low for _, o in found]
    others = [o.at_end.high - o.at_end.low for _, o in told[2.0]]

    assert fmean(widths) > fmean(others)


def test_readings_far_from_what_was_expected_are_believed() -> None:
    prior, seen = Rate(10, 1), Rate(30, 2)
    found = blended(prior, seen)

    assert found is not None
    rate, weight = found
    assert weight > 0.9
    assert rate.at == pytest.approx(29, abs=1)


def test_two_estimates_are_weighted_by_their_precision() -> None:
    # Two normal estimates: mean by 1/s^2, variance 1/(1/s1^2 + 1/s2^2). Arithmetic, exact.
    found = blended(Rate(10, 1), Rate(12, 2))

    assert found is not None
    rate, weight = found
    assert weight == pytest.approx(0.2)
    assert rate.at == pytest.approx(10.4)
    assert rate.sigma == pytest.approx((1 / (1 + 1 / 4)) ** 0.5)


def test_without_an_expectation_the_readings_stand_alone_and_the_other_way_round() -> None:
    seen = measured(falling(12, 2))
    assert seen is not None
    assert blended(None, seen) == (seen, 1.0)
    assert blended(Rate(9, 2), None) == (Rate(9, 2), 0.0)
    assert blended(None, None) is None


def test_nothing_is_said_where_nothing_is_known() -> None:
    assert forecast(Rate(9, 2), [], now_ms=0, until_ms=HOUR_MS) is None
    assert forecast(None, falling(10, 0.2), now_ms=0, until_ms=HOUR_MS) is None
    assert measured(falling(10, 0.2)) is None


def test_a_pack_that_was_changed_is_a_new_one() -> None:
    old = falling(30, 2, start=80)
    later = [Reading(at + old[-1].at_ms + STEP_MS, percent) for at, percent in falling(8, 2)]
    found = forecast(Rate(10, 3), [*old, *later], now_ms=later[-1].at_ms, until_ms=5 * HOUR_MS)

    assert found is not None
    assert found.now.at == pytest.approx(79, abs=1.5)
    assert found.rate.at == pytest.approx(8.5, abs=1)


def test_one_reading_gone_wrong_is_no_new_pack() -> None:
    readings = falling(10, 2)
    spoilt = [*readings[:-6], readings[-6]._replace(percent=40), *readings[-5:]]

    found = forecast(Rate(10, 3), spoilt, now_ms=2 * HOUR_MS, until_ms=4 * HOUR_MS)

    assert found is not None
    assert found.now.at == pytest.approx(75, abs=1.5)


def test_how_long_it_lasts_agrees_with_how_sure_it_is() -> None:
    for rate in (5, 15, 21, 23, 40):
        found = forecast(Rate(rate, 2), falling(rate, 1, 100), now_ms=HOUR_MS, until_ms=4 * HOUR_MS)
        assert found is not None
        assert (found.sure >= 0.5) == (found.lasts_h.at >= 3 - 1 / 30)
        assert found.lasts_h.low <= found.lasts_h.at <= found.lasts_h.high


def test_a_pack_that_is_done_has_no_hours_left() -> None:
    found = forecast(Rate(10, 2), falling(10, 1, 9), now_ms=HOUR_MS, until_ms=2 * HOUR_MS)

    assert found is not None
    assert found.lasts_h.at == 0
    assert found.sure < 0.5
    assert found.at_end.low == 0


def test_the_sums_rate_is_what_is_taken_of_what_it_holds() -> None:
    # 600 mAh of 2,000 in 4 h: 7.5 points an hour. Arithmetic.
    rate = expected(Band.within(600, 0.2), Band.exact(2000), 4)
    assert rate.at == pytest.approx(7.5)
    assert rate.sigma == pytest.approx(7.5 * 0.2 / 1.96)
    with pytest.raises(ValueError, match="more than 0"):
        expected(Band.exact(1), Band.exact(1), 0)


def test_a_trail_keeps_a_day_and_no_more_and_looks_past_what_load_does() -> None:
    trail = Trail()
    for n in range(3 * STEPS_MAX):
        for percent in (50, 50, 50, 20):
            trail.add(n * STEP_MS + percent, percent)

    found = trail.readings()
    assert len(found) == STEPS_MAX + 1
    assert {each.percent for each in found} == {50}
    assert found[-1].at_ms == (3 * STEPS_MAX - 1) * STEP_MS + STEP_MS // 2
