"""Goal: a batch is written whole and once, wherever the database fails in the midst of it.

Method: a driver that fails at its first call, then at its second, and so on through a batch; before
doing what was asked (a failing disk), and after (an answer that was lost).
"""

from collections import Counter
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from haunt.store import tables
from haunt.store.ledger import Ledger, insert_into, text_of
from haunt.store.rows import ORDER, rows_of
from tests.store.flaky import Driver, flaky, whole
from tests.store.stage import Opened

CALLS = 12  # begin, eight tables, prune, the end, commit
ROWS = {
    "events": 1,
    "motions": 1,
    "decisions": 2,
    "health": 1,
    "reports": 1,
    "actions": 1,
    "alerts": 1,
}


def rows_in(database: Opened) -> dict[str, int]:
    return {name: database.ask(f"SELECT count(*) FROM {name}")[0][0] for name in ROWS}


def times(records: int) -> dict[str, int]:
    return {name: count * records for name, count in ROWS.items()}


def test_a_batch_takes_as_many_calls_as_the_sweep_goes_through(database: Opened) -> None:
    driver = Driver()
    with flaky(database, driver) as engine:
        ledger = Ledger(engine)
        ledger.write([whole(1)])  # the first connection asks more
        before = driver.calls
        ledger.write([whole(2), whole(3)])
        ledger.close()

    assert driver.calls - before == calls_of(database)


def calls_of(database: Opened) -> int:
    return CALLS - bool(database.url)  # PostgreSQL's driver begins together with the first


@pytest.mark.parametrize("after", [False, True], ids=["failing", "answer-lost"])
@pytest.mark.parametrize("call", range(1, CALLS + 1))
def test_a_batch_that_failed_at_any_call_is_written_once_by_the_next_try(
    database: Opened, call: int, *, after: bool
) -> None:
    driver, last = Driver(), calls_of(database)
    call = min(call, last)
    with flaky(database, driver) as engine:
        ledger = Ledger(engine)
        ledger.write([whole(1)])
        batch = [whole(2), whole(3)]
        driver.fails_at, driver.after = driver.calls + call, after

        with pytest.raises(OperationalError, match="disk I/O error"):
            ledger.write(batch)
        kept_after_all = after and call == last
        assert rows_in(database) == times(3 if kept_after_all else 1)

        ledger.write([*batch, whole(4)])  # more has gathered meanwhile
        ledger.close()

    assert driver.failures == 1
    assert rows_in(database) == times(4)
    assert database.ask("SELECT number FROM snapshots ORDER BY number") == [(2,), (3,), (4,)]
    assert database.reader.last_number() == 4
    if not database.url:
        assert database.ask("PRAGMA integrity_check") == [("ok",)]


def test_a_lost_answer_is_settled_even_where_nothing_more_has_gathered(database: Opened) -> None:
    driver = Driver()
    with flaky(database, driver) as engine:
        ledger = Ledger(engine)
        ledger.write([whole(1)])
        driver.fails_at, driver.after = driver.calls + calls_of(database), True
        with pytest.raises(OperationalError):
            ledger.write([whole(2)])
        ledger.write([whole(2)])
        ledger.write([whole(3)])
        ledger.close()

    assert rows_in(database) == times(3)


def test_an_end_left_by_an_earlier_run_hides_no_record(database: Opened) -> None:
    with flaky(database, Driver()) as engine:
        earlier = Ledger(engine)
        earlier.write([whole(9)])
        earlier.close()
    driver = Driver()
    with flaky(database, driver) as engine:
        ledger = Ledger(engine)
        ledger.write([whole(1)])
        driver.fails_at = driver.calls + calls_of(database)
        with pytest.raises(OperationalError):
            ledger.write([whole(2)])
        ledger.write([whole(2)])
        ledger.close()

    assert rows_in(database) == times(3)


@pytest.mark.parametrize("dialect", ["sqlite", "postgresql"])
def test_statements_take_what_rows_give_in_either_dialect(dialect: str) -> None:
    rows = rows_of([whole(1)])
    for table in ORDER:
        statement = text_of(insert_into(table, dialect), dialect)
        places = statement.count("?") + statement.count("%s")
        wanted = len(table.columns) - (table.autoincrement_column is not None)
        assert places == wanted, statement
        assert all(len(row) == wanted for row in rows[table.name])
        assert "RETURNING" not in statement


def test_every_table_of_the_journal_has_rows_made_for_it() -> None:
    by_hand = {"shows", "settings", "journal_end"}
    by_hand |= {"people", "sessions", "tokens", "links", "logbook"}  # the roster's own
    by_hand |= {"checks", "ranges", "maintenance", "lines"}  # what people noted

    assert Counter(table.name for table in ORDER) == Counter(set(tables.metadata.tables) - by_hand)


def test_a_database_moved_away_is_written_again_when_it_is_back(
    in_file: Opened, tmp_path: Path
) -> None:
    ledger = Ledger(in_file.writing)
    in_file.path.rename(tmp_path / "away")

    with pytest.raises(OperationalError):
        ledger.write([whole(1)])
    in_file.path.unlink(missing_ok=True)
    (tmp_path / "away").rename(in_file.path)
    ledger.write([whole(1)])
    ledger.close()

    assert rows_in(in_file) == times(1)
