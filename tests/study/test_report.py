"""Goal: the night report says what was, and sends nobody to mend what is not broken.

Method: nights written as rows by hand, with sums known.
"""

from dataclasses import replace

import pytest

from haunt.core.events import Motion
from haunt.core.show import BoardSpec, Link, Show
from haunt.study.nightfacts import DecisionRow, HealthRow, Rows, Span, Told
from haunt.study.nightline import against, line_of
from haunt.study.report import NightReport, night_report
from tests.core.stage import BOOT, prop, sensor, show

OPEN = 1_793_552_400_000
MINUTE = 60_000
SHOW: Show = show(
    prop(), prop("well", "b2"), sensor(), sensor("beam", "well", "b2", links=(Link("well", 2000),))
)


def motion(minute: float, seq: int, name: str = "pir", board: str = "b1") -> Motion:
    at_ms = OPEN + round(minute * MINUTE)
    return Motion(at_ms, at_ms, board, name, BOOT, seq)


def verdict(
    minute: float, outcome: str, reason: str | None = None, of: str = "gate"
) -> DecisionRow:
    waited_ms = 1000 if outcome == "fired" else 0
    return DecisionRow(
        OPEN + round(minute * MINUTE), "motion", "pir", of, outcome, reason, waited_ms
    )


def health(minute: float, counted: int, percent: int | None = 80, **more: str) -> HealthRow:
    board, boot, reset = (
        more.get(k, v) for k, v in (("board", "b1"), ("boot", BOOT), ("reset", "power-on"))
    )
    return HealthRow(
        OPEN + round(minute * MINUTE), board, boot, 7800, percent, reset, {"pir": counted}
    )


def report(**rows: object) -> NightReport:
    given: dict[str, object] = {"motions": [], "decisions": [], "health": [], **rows}
    return night_report("2026-11-01", Span(OPEN, OPEN + 60 * MINUTE), SHOW, Rows(**given))  # type: ignore[arg-type]


def busy() -> NightReport:
    motions = [motion(1, 1), motion(1.05, 2), motion(20, 3), motion(40, 4), motion(40, 4)]
    decisions = [
        verdict(1, "fired"),
        verdict(1.05, "refused", "playing"),
        verdict(20, "refused", "cooldown"),
        verdict(40, "fired"),
        DecisionRow(OPEN, "hand", None, "gate", "fired", None, 0),
    ]
    return report(motions=motions, decisions=decisions)


def test_motions_decisions_and_groups_add_up() -> None:
    found = busy()

    assert (found.motions, found.fired, found.refused, found.lapsed) == (4, 2, 2, 0)
    assert (found.visits, found.answered, found.answered_share) == (3, 2, 2 / 3)
    assert (found.groups, found.groups_at) == (3, "pir")
    assert found.refusals == (("cooldown", 1), ("playing", 1))


@pytest.mark.parametrize(("reason", "visits"), [("walk-test", 1), ("closed", 1), ("stopped", 2)])
def test_a_walk_test_and_closed_doors_are_no_visits_that_were_missed(
    reason: str, visits: int
) -> None:
    decisions = [verdict(1, "refused", reason), verdict(20, "fired")]
    found = report(motions=[motion(1, 1), motion(20, 2)], decisions=decisions)

    assert (found.motions, found.refused) == (2, 1)
    assert (found.visits, found.answered, found.groups) == (visits, 1, visits)
    assert found.props[0].visits == visits


def test_a_prop_is_told_the_reason_that_cost_it_visitors() -> None:
    """`playing` refused people who did see it; `cooldown` did not."""
    line = busy().props[0]

    assert (line.visits, line.answered, line.fired, line.refused) == (3, 2, 3, 2)
    assert (line.main_reason, line.mean_wait_ms) == ("cooldown", 0)


def test_the_busiest_quarter_hours_come_in_their_order() -> None:
    found = busy()

    assert [(q.motions, q.fired) for q in found.quarters] == [(2, 2), (1, 0), (2, 1), (0, 0)]
    assert [(q.at_ms - OPEN) // MINUTE for q in found.busiest] == [0, 15, 30]


def test_a_night_without_anybody_has_no_share_and_says_what_to_check() -> None:
    found = report()

    assert found.answered_share is None
    assert (found.groups, found.groups_at, found.busiest) == (0, None, ())
    assert "Gate had no visitors: check its sensor." in found.to_do
    assert "b2 was never heard of: check its power and credential." in found.to_do


def test_a_good_board_gives_nobody_work() -> None:
    found = report(
        motions=[motion(1, 1)],
        decisions=[verdict(1, "fired")],
        health=[health(0, 0), health(50, 1)],
    )

    assert found.boards[0].counted == found.boards[0].journalled == 1
    assert [each for each in found.to_do if "b1" in each or "Gate" in each] == []


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([health(0, 0), health(50, 0, 41)], "Charge the pack of b1: 41 % at the end."),
        (
            [health(0, 0), health(9, 0, boot="b" * 12, reset="brown-out")],
            "Look at the supply of b1: it restarted from low voltage 1 time.",
        ),
        (
            [health(0, 0), health(9, 0, boot="b" * 12, reset="watchdog")],
            "Find out why b1 restarted 1 time.",
        ),
        (
            [health(0, 3), health(50, 9)],
            "Check the Wi-Fi of b1: it counted 6 motions, the journal has 0.",
        ),
    ],
)
def test_what_was_wrong_with_a_board_is_on_the_list(rows: list[HealthRow], said: str) -> None:
    assert said in report(health=rows).to_do


def test_a_prop_that_answered_nobody_says_what_stood_in_the_way() -> None:
    found = report(
        motions=[motion(1, 1), motion(9, 2)],
        decisions=[verdict(1, "refused", "held"), verdict(9, "refused", "held")],
    )

    assert "Gate answered none of 2 groups, mostly held." in found.to_do


def test_the_long_table_and_the_json_say_the_same() -> None:
    found = busy()
    rows = {(section, name, figure): value for section, name, figure, value in found.as_rows()}
    plain = found.as_json()

    assert rows["night", "2026-11-01", "motions"] == plain["motions"] == 4
    assert rows["props", "gate", "answered"] == 2
    assert rows["refusals", "cooldown", "count"] == 1
    assert BoardSpec("b1").id in {
        name for section, name, _, _ in found.as_rows() if section == "boards"
    }


# --- who passed


def test_groups_that_came_while_a_sensor_rested_are_added_with_a_range() -> None:
    """A group every two minutes at a sensor that folds ten seconds: a twelfth of the time."""
    found = report(motions=[motion(2 * n, n) for n in range(1, 29)])
    best = found.crowd.best

    assert best is not None
    assert best.groups is not None
    assert (best.sensor, best.counted) == ("pir", 28)
    assert best.groups.at == pytest.approx(28 / (1 - 10 / 120), rel=0.05)
    assert best.groups.low <= 28 * 1.09 <= best.groups.high
    rows = {(section, name, figure): value for section, name, figure, value in found.as_rows()}
    assert rows["sensors", "pir", "counted"] == 28
    assert rows["sensors", "pir", "passed_at"] == round(best.groups.at, 1)
    assert found.as_json()["crowd"]["best"]["counted"] == 28  # type: ignore[index]


def test_a_sensor_that_overlooks_most_of_those_who_pass_is_on_the_list() -> None:
    """Twelve groups at the first and the third of three sensors, two of them at the second."""
    of = show(prop(), sensor("a"), sensor("b"), sensor("c"))
    motions = [
        motion(4 * n + minutes, 10 * n + k, name)
        for n in range(12)
        for k, (name, minutes) in enumerate((("a", 0.0), ("b", 0.1), ("c", 0.2)))
        if name != "b" or n < 2
    ]
    span = Span(OPEN, OPEN + 60 * MINUTE)
    path = [("a", 0.0), ("b", 5.0), ("c", 10.0)]
    found = night_report("2026-11-01", span, of, Rows(motions, [], []), path)

    assert found.walks is not None
    assert (found.walks.groups, found.walks.stops[1].between) == (12, 12)
    said = "Look at the aim of b: it saw 2 of 12 groups that were seen before it and after it."
    assert said in found.to_do
    assert not any("aim of a" in each or "aim of c" in each for each in found.to_do)


def test_the_mean_wait_is_from_a_groups_first_motion() -> None:
    found = report(
        motions=[motion(1, 1), motion(1.05, 2), motion(20, 3)],
        decisions=[verdict(1.1, "fired"), verdict(20, "fired")],
    )
    assert found.mean_wait_ms == round(0.1 * MINUTE / 2)
    assert found.props[0].mean_wait_ms == found.mean_wait_ms  # one meaning, for all and for each


def test_starts_of_the_controller_are_told() -> None:
    found = report(starts_ms=[OPEN + 5, OPEN + 900_000])
    assert found.starts_ms == (OPEN + 5, OPEN + 900_000)
    assert ("night", "2026-11-01", "controller_starts", 2) in list(found.as_rows())


# --- beside other nights


def test_a_night_as_a_line_has_the_figures_of_its_report() -> None:
    found = report(
        motions=[motion(1, 1), motion(16, 2), motion(17, 3)],
        decisions=[verdict(1, "fired"), verdict(16, "refused", "cooldown")],
        health=[health(0, 0, 90), health(50, 3, 71), health(9, 0, 60, board="b2", boot="c" * 12)],
        alerts=[Told(OPEN, "raised: b1 is lost"), Told(OPEN + 1, "cleared: b1 is lost")],
    )
    line = line_of(found)

    assert (line.motions, line.visits, line.answered, line.share) == (3, 3, 1, 1 / 3)
    assert (line.faults, line.least_percent, line.busiest_ms) == (1, 60, OPEN + 15 * MINUTE)


@pytest.mark.parametrize(
    ("answered", "said"),
    [
        (5, "It answered 50% of visits, 10 points fewer than 2 nights before (60%)."),
        (8, "It answered 80% of visits, 20 points more than 2 nights before (60%)."),
        (6, "It answered 60% of visits, as many as 2 nights before (60%)."),
    ],
)
def test_a_night_is_held_against_those_before(answered: int, said: str) -> None:
    plain = line_of(busy())
    night = replace(plain, visits=10, answered=answered)
    before = [replace(plain, visits=10, answered=7), replace(plain, visits=10, answered=5)]

    assert against(night, before) == said
    assert against(night, []) == ""
    assert against(replace(night, visits=0), before) == ""
