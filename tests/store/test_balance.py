"""Goal: what boards counted and what the journal has are compared exactly; no loss is silent.

Method: a journal written by its own ledger, with rows left out on purpose, then asked.
"""

from pathlib import Path

from haunt.bootstrap import doctor
from haunt.core.decisions import Outcome, SendCue
from haunt.live.ports import HealthRow, Record, ReportRow
from haunt.store.balance import Balance, balances
from haunt.store.ledger import Ledger
from tests.core.stage import BOOT, EVENING
from tests.store.nights import config_of
from tests.store.stage import Opened, opened, record

OTHER = "b00000000002"


def told(number: int, motions: int, starts: int, boot: str = BOOT) -> Record:
    health = HealthRow(
        "b1", boot, number, None, None, None, "soft", {"gate": starts}, {"pir": motions}
    )
    return Record(number, number, EVENING + number, health=health)


def started(number: int, seq: int) -> Record:
    report = ReportRow("b1", f"b1-{BOOT}-{seq}-gate", BOOT, "started", "")
    return Record(number, number, EVENING + number, report=report)


def fired(number: int, *, is_written: bool = True) -> Record:
    found = record(number)
    if is_written:
        cue = SendCue("b1", f"b1-{BOOT}-{number}-gate", 1, "gate", "growl", 1500, number, None)
        found.cues = (cue,)
    return found


def found(database: Opened, *records: Record) -> list[Balance]:
    ledger = Ledger(database.writing)
    ledger.write(list(records))
    ledger.close()
    return balances(database.writing)


def test_a_night_without_loss_is_even(database: Opened) -> None:
    [only] = found(database, fired(1), started(2, 1), told(3, 1, 1))

    assert only == Balance("b1", BOOT, 1, 1, 0, 1, 1, 0, 0)
    assert only.is_even


def test_a_motion_that_never_came_is_missing_and_one_after_the_count_is_not(
    database: Opened,
) -> None:
    [only] = found(database, fired(1), fired(3), told(4, 3, 0), fired(5))

    assert (only.counted, only.journalled, only.missing) == (3, 2, 1)
    assert not only.is_even


def test_a_start_that_no_row_says_was_sent_is_unwritten(database: Opened) -> None:
    [only] = found(database, fired(1, is_written=False), started(2, 1), told(3, 1, 1))

    assert (only.started, only.unwritten, only.contradicted) == (1, 1, 0)
    assert not only.is_even


def test_a_start_whose_motion_was_refused_afterwards_is_contradicted(database: Opened) -> None:
    refused = record(1, outcome=Outcome.REFUSED, reason="stale", behaviour=None)
    [only] = found(database, refused, started(2, 1), told(3, 1, 1))

    assert (only.unwritten, only.contradicted) == (1, 1)


def test_a_report_that_came_twice_is_one_start(database: Opened) -> None:
    [only] = found(database, fired(1), started(2, 1), started(3, 1), told(4, 1, 1))

    assert only.started == 1


def test_each_boot_has_a_line_of_its_own_with_its_last_words(database: Opened) -> None:
    boots = found(database, fired(1), told(2, 1, 0), told(3, 0, 0, OTHER), told(4, 7, 0, OTHER))

    assert [(each.boot, each.counted, each.missing) for each in boots] == [
        (BOOT, 1, 0),
        (OTHER, 7, 7),
    ]


def test_the_doctor_names_the_board_that_misses_most(tmp_path: Path) -> None:
    with opened(tmp_path) as database:
        found(database, fired(1), told(2, 9, 0))

    assert doctor._counts(config_of(tmp_path)).said == (
        "boards counted 9 motions, the journal has 1 of them; most are missing of b1, 8: look at "
        "its radio"
    )
