"""Goal: what a failing disk holds up is kept for five seconds, given up in order, told and counted.

Method: a driver that is broken until it is mended, and a clock that moves when told.
"""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from haunt.store.journal import BATCH_MAX, GIVE_UP_S, SqlJournal
from tests.store.flaky import Driver, flaky, whole
from tests.store.stage import DEADLINE_S, Heard, Opened, record


@dataclass
class Broken:
    """A journal on a disk that fails; `again` waits until it has failed once more from now on."""

    driver: Driver
    journal: SqlJournal
    heard: Heard
    clock: list[float]
    failed: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))

    def again(self) -> None:
        while self.failed.acquire(blocking=False):
            pass
        assert self.failed.acquire(timeout=DEADLINE_S)


@contextmanager
def broken(database: Opened) -> Iterator[Broken]:
    driver, heard, clock = Driver(), Heard(), [0.0]
    with flaky(database, driver) as engine:
        journal = SqlJournal(engine, now_s=lambda: clock[0])
        found = Broken(driver, journal, heard, clock)
        driver.told = found.failed.release
        driver.broken = True
        journal.start(heard)
        yield found
        journal.close()


def test_only_what_is_older_than_five_seconds_is_given_up(database: Opened) -> None:
    with broken(database) as night:
        night.journal.put(record(1))
        night.journal.put(record(2))
        night.again()
        night.again()  # this attempt began with both of them waiting
        night.clock[0] = GIVE_UP_S - 0.1
        night.journal.put(record(3))
        night.again()
        assert night.heard.gone == []

        night.clock[0] = GIVE_UP_S
        night.heard.wait_for(gone=2)
        night.driver.broken = False
        night.heard.wait_for(kept=1)

        assert night.heard.gone == [1, 2]
        assert night.heard.kept == [3]
        assert night.journal.counts() == (1, 2, 0, "")


def test_old_records_far_behind_the_first_batch_are_given_up_with_it(database: Opened) -> None:
    last = 3 * BATCH_MAX + 7
    with broken(database) as night:
        for number in range(1, last + 1):
            night.journal.put(record(number))
        night.again()
        night.again()  # this attempt began with all of them waiting

        night.clock[0] = GIVE_UP_S + 1
        night.heard.wait_for(gone=last)

        assert night.heard.gone == list(range(1, last + 1))
        assert night.journal.counts().lost == last
        assert "disk I/O error" in night.journal.counts().failing


def test_what_a_working_disk_finds_waiting_is_written_however_old(database: Opened) -> None:
    heard, clock = Heard(), [0.0]
    journal = SqlJournal(database.writing, now_s=lambda: clock[0])
    journal.put(record(1))
    clock[0] = GIVE_UP_S * 100
    journal.start(heard)
    heard.wait_for(kept=1)
    journal.close()

    assert journal.counts() == (1, 0, 0, "")


def test_what_is_in_hand_counts_as_backlog_until_it_is_settled(database: Opened) -> None:
    with broken(database) as night:
        night.journal.put(record(1))
        night.journal.put(record(2))
        night.again()
        night.again()
        assert night.journal.counts().backlog == 2


def test_an_answer_lost_in_the_midst_of_a_night_doubles_nothing(database: Opened) -> None:
    driver, heard = Driver(), Heard()
    with flaky(database, driver) as engine:
        journal = SqlJournal(engine)
        journal.start(heard)
        journal.put(whole(1))
        heard.wait_for(kept=1)
        driver.after = True
        driver.broken = True  # every call is done and then said to have failed, commits too
        driver.told = lambda: setattr(driver, "broken", False)
        journal.put(whole(2))
        heard.wait_for(kept=2)
        journal.close()

    assert heard.kept == [1, 2]
    assert database.ask("SELECT number FROM decisions ORDER BY id") == [(1,), (1,), (2,), (2,)]


def test_several_bad_records_in_one_batch_are_lost_alone_and_the_rest_keep_their_order(
    database: Opened,
) -> None:
    bad = {3, 4, 250, 499, 500}
    heard, journal = Heard(), SqlJournal(database.writing)
    for number in range(1, BATCH_MAX + 1):
        reason = "\ud800" if number in bad else None
        journal.put(record(number, reason=reason))
    journal.start(heard)
    heard.wait_for(kept=BATCH_MAX - len(bad), gone=len(bad))
    journal.close()

    assert heard.gone == sorted(bad)
    assert heard.kept == [n for n in range(1, BATCH_MAX + 1) if n not in bad]
    assert database.ask("SELECT count(*) FROM decisions") == [(BATCH_MAX - len(bad),)]
    assert database.ask("SELECT count(*) FROM events") == [(BATCH_MAX - len(bad),)]
