"""Goal: triggers are counted by the night they belong to, and a difference to a board is explained.

Method: quarters and boots made by hand, an autumn night that has an hour twice among them.
"""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from haunt.study.tallies import (
    QUARTER_MS,
    BootCount,
    Cell,
    Quarter,
    boards,
    night_of,
    nights,
    tallies_of,
)

BERLIN = ZoneInfo("Europe/Berlin")


def quarter(local: str, prop: str | None, outcome: str, times: int) -> Quarter:
    at = datetime.fromisoformat(local).replace(tzinfo=BERLIN).astimezone(UTC)
    return Quarter(round(at.timestamp() * 1000) // QUARTER_MS, prop, outcome, times)


def boot(
    counted: int | None, journalled: int, last: int | None, after: int = 0, board: str = "well"
) -> BootCount:
    return BootCount(board, f"boot-{counted}-{journalled}", counted, journalled, after, last)


def test_a_night_goes_on_past_midnight_until_noon() -> None:
    found = nights(
        [
            quarter("2026-10-31T20:00", None, "fired", 5),
            quarter("2026-11-01T01:15", None, "refused", 2),
            quarter("2026-11-01T12:00", None, "fired", 1),
        ],
        BERLIN,
    )
    assert found == [
        (date(2026, 11, 1), Cell(fired=1)),
        (date(2026, 10, 31), Cell(fired=5, refused=2)),
    ]


def test_counts_of_a_night_add_up_by_hour_and_by_prop() -> None:
    made = [
        quarter("2026-10-31T17:45", "owl", "fired", 3),
        quarter("2026-10-31T18:00", "owl", "refused", 4),
        quarter("2026-10-31T20:30", "bell", "fired", 9),
        quarter("2026-10-31T20:45", "bell", "lapsed", 1),
        quarter("2026-10-31T20:45", None, "refused", 2),
    ]
    found = tallies_of(date(2026, 10, 31), made, BERLIN)

    assert found.whole == Cell(12, 6, 1)
    assert [hour for hour, _ in found.hours] == [17, 18, 19, 20], "no hour is left out"
    assert sum(cell.all for _, cell in found.hours) == found.whole.all
    assert found.props == (("bell", Cell(9, 0, 1)), ("owl", Cell(3, 4, 0)))
    assert found.by_prop_and_hour["owl", 18] == Cell(refused=4)
    assert found.busiest == (20, Cell(9, 2, 1))


def test_an_hour_that_comes_twice_is_counted_whole() -> None:
    # 2026-10-25 in Berlin: 02:00 to 03:00 comes twice; 00:30 UTC and 01:30 UTC are both 02:30.
    first = round(datetime(2026, 10, 25, 0, 30, tzinfo=UTC).timestamp() * 1000) // QUARTER_MS
    made = [Quarter(first, "owl", "fired", 1), Quarter(first + 4, "owl", "fired", 1)]

    assert tallies_of(date(2026, 10, 24), made, BERLIN).hours == ((2, Cell(fired=2)),)
    assert night_of(first * QUARTER_MS, BERLIN) == date(2026, 10, 24)


def test_a_night_without_anybody_has_no_hours() -> None:
    found = tallies_of(date(2026, 10, 31), [], BERLIN)
    assert (found.hours, found.busiest, found.whole.all) == ((), None, 0)


@pytest.mark.parametrize(
    ("boots", "why"),
    [
        ([boot(41, 41, 41)], ""),
        ([boot(41, 40, 41)], "1 never came, by their numbers"),
        ([boot(41, 40, 40)], "1 never came, the last ones"),
        ([boot(41, 38, 39)], "1 never came, by their numbers"),
        ([boot(41, 38, 39)], "2 never came, the last ones"),
        ([boot(40, 41, 41, after=1)], "1 came after it last told"),
        ([boot(41, 41, 41, after=1)], ""),
        ([boot(40, 41, 41)], "1 came though it had not counted them"),
        ([boot(None, 7, 7)], "7 are of a start at which it never told"),
        ([boot(20, 20, 20), boot(5, 4, 5)], "1 never came, by their numbers"),
        ([boot(0, 0, None)], ""),
    ],
)
def test_a_difference_between_board_and_journal_is_explained(
    boots: list[BootCount], why: str
) -> None:
    [found] = boards(boots)

    assert why in found.why
    assert bool(found.why) is bool(why)


def test_the_boots_of_a_board_are_added_up() -> None:
    found = boards([boot(20, 20, 20), boot(5, 4, 5), boot(None, 3, 3, board="arch")])

    assert [(each.board, each.counted, each.journalled) for each in found] == [
        ("arch", None, 3),
        ("well", 25, 24),
    ]
    assert [each.difference for each in found] == [0, 1]
    assert found[1].lost == 1
