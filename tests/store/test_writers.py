"""Goal: people save shows and settings while the journal writes, and nobody is told "locked".

Method: four threads of short writes beside a busy journal, on one file.
"""

from concurrent.futures import ThreadPoolExecutor, wait
from threading import Barrier

from sqlalchemy import text

from haunt.store.journal import SqlJournal
from tests.store.stage import Heard, Opened, record

WRITERS = 4
WRITES = 125
RECORDS = 3000


def test_many_writers_wait_for_each_other_and_lose_nothing(database: Opened) -> None:
    journal, heard = SqlJournal(database.writing), Heard()
    together = Barrier(WRITERS + 1)

    def save(writer: int) -> int:
        together.wait(10)
        for turn in range(WRITES):
            if turn % 2:
                database.writer.save_setting("key", f"{writer}-{turn}")
            else:
                database.writer.save_show(f"{writer}-{turn}", "mara", turn)
        return WRITES

    journal.start(heard)
    try:
        with ThreadPoolExecutor(WRITERS) as pool:
            saving = [pool.submit(save, writer) for writer in range(WRITERS)]
            together.wait(10)
            for number in range(1, RECORDS + 1):
                journal.put(record(number))
            saved = sum(each.result(60) for each in saving)
        heard.wait_for(kept=RECORDS)
    finally:
        journal.close()

    assert saved == WRITERS * WRITES
    assert journal.counts() == (RECORDS, 0, 0, "")
    texts = {row[0] for row in database.ask("SELECT text FROM shows")}
    assert texts == {f"{w}-{turn}" for w in range(WRITERS) for turn in range(0, WRITES, 2)}
    assert database.reader.setting("key") is not None
    assert database.ask("SELECT count(*) FROM settings") == [(1,)]


def test_a_transaction_that_has_read_can_still_write_when_others_want_to(
    database: Opened,
) -> None:
    with ThreadPoolExecutor(1) as pool:
        with database.writing.begin() as connection:
            connection.execute(text("SELECT count(*) FROM settings")).all()
            other = pool.submit(database.writer.save_setting, "key", "other")
            # Somebody who could write in between would, in this time, and spoil what was read.
            wait([other], timeout=0.3)
            connection.execute(text("INSERT INTO settings VALUES ('mine', 'x')"))
        other.result(10)

    assert database.ask("SELECT key FROM settings ORDER BY key") == [("key",), ("mine",)]
