"""Goal: the journal tells a board's starts one by one, and what became of its cues.

Method: a fresh database of each kind with health and reports of two boards.
"""

from haunt.live.ports import HealthRow, Record, ReportRow
from haunt.store.boardrows import Became, BoardHistory, Run
from tests.core.stage import EVENING
from tests.store.stage import Opened
from tests.store.test_lists import put


def health(number: int, boot: str, up_ms: int, board: str = "b1", **more: int) -> Record:
    row = HealthRow(
        board, boot, up_ms, more.get("mv"), None, more.get("rssi"), f"reset-{boot}", {}, {}
    )
    return Record(number, number, EVENING + number * 1000, health=row)


def report(number: int, state: str, why: str = "", board: str = "b1") -> Record:
    row = ReportRow(board, f"c-{number}", "x", state, why)
    return Record(number, number, EVENING + number * 1000, report=row)


def test_each_start_is_one_run_newest_first(database: Opened) -> None:
    put(
        database,
        health(1, "a", 5000, rssi=-60, mv=7400),
        health(2, "a", 6000, rssi=-75, mv=7300),
        health(3, "other", 1, board="b2"),
        health(4, "b", 900),
    )

    assert BoardHistory(database.writing).runs("b1") == [
        Run("b", "reset-b", EVENING + 4000, EVENING + 4000, 900, None, None),
        Run("a", "reset-a", EVENING + 1000, EVENING + 2000, 6000, -75, 7300),
    ]
    assert BoardHistory(database.writing).runs("b9") == []


def test_cues_are_counted_by_what_became_of_them_since_a_time(database: Opened) -> None:
    put(
        database,
        report(1, "finished"),
        report(2, "refused", "late"),
        report(3, "finished"),
        report(4, "finished"),
        report(5, "finished", board="b2"),
    )

    assert BoardHistory(database.writing).became("b1", EVENING + 2000) == [
        Became("finished", "", 2),
        Became("refused", "late", 1),
    ]
