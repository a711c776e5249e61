"""Goal: records that come close together share a commit, and nobody waits for company in vain.

Method: the writer's own thread over a real database, with a pause so long that it cannot be missed.
"""

import time

from sqlalchemy import text

from haunt.live.ports import Record
from haunt.store.engines import log_bytes_of
from haunt.store.journal import LONG_LOG_BYTES, SqlJournal
from tests.store.stage import Heard, Opened, record

LONG_S, SHORT_S = 1.0, 0.2


class Batches(Heard):
    def __init__(self) -> None:
        super().__init__()
        self.numbers: list[list[int]] = []

    def committed(self, records: list[Record]) -> None:
        self.numbers.append([each.number for each in records])
        super().committed(records)


def test_a_record_that_comes_to_rest_is_written_alone_and_the_next_ones_together(
    database: Opened,
) -> None:
    heard = Batches()
    journal = SqlJournal(database.writing, gather_s=LONG_S)
    journal.start(heard)

    journal.put(record(1))
    heard.wait_for(kept=1)
    for number in (2, 3, 4):
        journal.put(record(number))
    heard.wait_for(kept=4)
    journal.close()

    assert heard.numbers == [[1], [2, 3, 4]]


def test_who_closes_does_not_wait_until_more_have_gathered(database: Opened) -> None:
    heard = Batches()
    journal = SqlJournal(database.writing, gather_s=60)
    journal.start(heard)
    journal.put(record(1))
    heard.wait_for(kept=1)
    journal.put(record(2))

    began = time.monotonic()
    journal.close(timeout_s=30)

    assert time.monotonic() - began < 30
    assert heard.numbers == [[1], [2]]


def test_commits_are_further_apart_while_the_log_is_long(database: Opened) -> None:
    heard = Batches()
    journal = SqlJournal(database.writing, gather_s=SHORT_S, log_bytes=lambda: LONG_LOG_BYTES + 1)
    journal.start(heard)

    began = time.monotonic()
    journal.put(record(1))
    heard.wait_for(kept=1)
    journal.put(record(2))
    heard.wait_for(kept=2)
    apart_s = time.monotonic() - began
    journal.close()

    assert heard.numbers == [[1], [2]]
    assert apart_s > 2 * SHORT_S


def test_the_log_is_measured_where_it_is_a_file(database: Opened) -> None:
    with database.writing.connect() as connection:
        connection.execute(text("CREATE TABLE filler AS SELECT 1 AS one"))
        connection.commit()
        measured = log_bytes_of(database.writing)()
        log = database.path.with_name(database.path.name + "-wal")
        expected = 0 if database.url else log.stat().st_size

    assert measured == expected
    assert bool(measured) is not bool(database.url)
