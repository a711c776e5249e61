"""Goal: records that come close together share a commit, and nobody waits for company in vain.

Method: the writer's own thread over a real database, with a pause so long that it cannot be missed.
"""

import time

from haunt.live.ports import Record
from haunt.store.journal import SqlJournal
from tests.store.stage import Heard, Opened, record

LONG_S = 1.0


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
