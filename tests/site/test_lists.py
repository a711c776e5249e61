"""Goal: every list can be had whole, as JSON by cursor or as CSV, and a time is read as meant.

Method: a reader of numbered rows that gives them in pages, and the functions that read times.
"""

import csv
import io
from typing import Unpack
from zoneinfo import ZoneInfo

import pytest

from haunt.live.errors import CrewMistake
from haunt.site.lists import LIMIT_MAX, csv_of, every, instant
from haunt.site.ports import Asked
from tests.outside.registry import outside
from tests.site.night import StandInPage
from tests.site.stage import Stage

ROWS = [{"id": number, "at": "2026-10-31T18:00:00.000Z"} for number in range(1, 2501)]
SIX = 1_793_469_600_000  # 2026-10-31T18:00:00Z


def read(**asked: Unpack[Asked]) -> StandInPage:
    found = [row for row in ROWS if row["id"] > (asked.get("after") or 0)]  # type: ignore[operator]
    page = found[: asked["limit"]]
    more = len(found) > len(page)
    return StandInPage(list(page), int(str(page[-1]["id"])) if more else None)


def test_all_that_match_come_once_each_and_in_order() -> None:
    assert [each["id"] for each in every(read, {})] == list(range(1, 2501))
    assert len(read(limit=LIMIT_MAX).items) == LIMIT_MAX, "it took three pages"


def test_all_after_a_cursor_come_without_those_before() -> None:
    assert [each["id"] for each in every(read, {"after": 2498})] == [2499, 2500]


def test_a_long_csv_is_given_in_pieces_that_join_without_a_seam() -> None:
    pieces = list(csv_of(("id", "at"), ROWS))

    assert len(pieces) > 1
    rows = list(csv.reader(io.StringIO("".join(pieces), newline="")))
    assert rows[0] == ["id", "at"]
    assert [int(row[0]) for row in rows[1:]] == list(range(1, 2501))


def test_counts_by_name_are_one_cell_of_json() -> None:
    text = "".join(csv_of(("id", "starts"), [{"id": 1, "starts": {"owl": 3}}]))

    assert list(csv.reader(io.StringIO(text)))[1] == ["1", '{"owl":3}']


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("2026-10-31T18:00:00Z", SIX),
        ("2026-10-31T19:00:00+01:00", SIX),
        ("2026-10-31T19:00:00 01:00", SIX),  # a plus sign that a query string lost
        ("2026-10-31T18:00:00.250Z", SIX + 250),
    ],
)
def test_a_time_is_read_as_rfc_3339(text: str, ms: int) -> None:
    found = instant(text, "since")
    assert found is not None
    outside("time/rfc-3339").saw(found, ms)


def test_a_time_from_a_form_is_local() -> None:
    assert instant("2026-10-31T19:00", "since", ZoneInfo("Europe/Berlin")) == SIX


@pytest.mark.parametrize("text", ["yesterday", "", "18:00", "2026-13-01T00:00:00Z"])
def test_what_is_no_time_is_told_with_an_example(text: str) -> None:
    with pytest.raises(CrewMistake, match="2026-10-31T18:00:00Z") as told:
        instant(text, "until")
    assert told.value.about == "until"


@pytest.mark.parametrize("name", ["decisions", "motions", "health", "reports", "alerts"])
def test_each_list_comes_as_csv_with_a_name_and_a_header(stage: Stage, name: str) -> None:
    answer = stage.client.get(f"/api/v1/{name}", headers={"accept": "text/csv"})

    assert answer.headers["content-type"].startswith("text/csv")
    assert f'filename="{name}.csv"' in answer.headers["content-disposition"]
    assert answer.text.startswith("id,at,")


@pytest.mark.parametrize(
    "query", ["after=9223372036854775808", "before=-1", "limit=0", "limit=1001", "after=x"]
)
def test_a_cursor_that_no_database_could_hold_is_refused(stage: Stage, query: str) -> None:
    assert stage.client.get(f"/api/v1/motions?{query}").status_code == 422


def test_the_page_of_the_log_gives_the_same_rows_as_csv(stage: Stage) -> None:
    by_link = stage.client.get("/log.csv", params={"outcome": "refused"})
    by_api = stage.client.get(
        "/api/v1/decisions", params={"outcome": "refused"}, headers={"accept": "text/csv"}
    )

    assert by_link.text == by_api.text
    assert by_link.text.count("\r\n") == 21
