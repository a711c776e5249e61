"""Goal: what is put is kept, once, and told; what cannot be kept is counted, and told too.

Method: a real SQLite file, the writer's own thread, and a listener that can be waited on.
"""

import time
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

from haunt.core.decisions import SendCue
from haunt.core.events import BoardHealth
from haunt.live.ports import ActionRow, AlertRow, HealthRow, Record, ReportRow
from haunt.store.journal import SqlJournal
from haunt.store.ledger import SNAPSHOTS_KEPT
from tests.core.stage import BOOT, EVENING
from tests.store.stage import Heard, Opened, record

PUTS = 20_000
COST_MAX = 20


@contextmanager
def started(journal: SqlJournal, heard: Heard) -> Iterator[SqlJournal]:
    journal.start(heard)
    try:
        yield journal
    finally:
        journal.close()


def test_a_record_is_committed_before_the_listener_is_told(database: Opened) -> None:
    found: list[int] = []

    class Looking(Heard):
        def committed(self, records: list[Record]) -> None:
            found.append(database.ask("SELECT count(*) FROM decisions")[0][0])
            super().committed(records)

    heard = Looking()
    with started(SqlJournal(database.writing), heard) as journal:
        assert journal.put(record(1))
        heard.wait_for(kept=1)

    assert found == [1]
    assert journal.counts() == (1, 0, 0, "")


def test_every_part_of_a_record_is_in_its_table(database: Opened) -> None:
    heard = Heard()
    whole = Record(
        7,
        70,
        EVENING,
        BoardHealth(70, EVENING, "b1", BOOT),
        cues=(SendCue("b1", "c-1", 3, "gate", "growl", 4500, 70, None),),
        health=HealthRow("b1", BOOT, 70, 7400, None, -61, "soft", {"gate": 2}, {"pir": 4}),
        report=ReportRow("b1", "c-1", BOOT, "refused", "old-epoch"),
        action=ActionRow("mara", "hold", "gate"),
        alert=AlertRow("lost b1", "raised", "Board b1 is lost"),
        snapshot={"epoch": 3},
        show_version=2,
    )
    with started(SqlJournal(database.writing), heard) as journal:
        journal.put(whole)
        heard.wait_for(kept=1)

    assert database.ask("SELECT cue, epoch, line FROM cues") == [("c-1", 3, None)]
    [health] = database.reader.health().items
    assert (health["battery_mv"], health["starts"], health["motions"]) == (
        7400,
        {"gate": 2},
        {"pir": 4},
    )
    assert database.reader.reports().items[0]["why"] == "old-epoch"
    assert database.reader.actions().items[0]["what"] == "hold"
    assert database.reader.alerts().items[0]["state"] == "raised"
    assert database.reader.latest_snapshot() == (7, 2, {"epoch": 3})
    assert database.reader.last_stamp() == (7, 70, EVENING)
    assert [row[3] for row in database.reader.events_after(0)] == ["BoardHealth"]


def test_a_redelivered_motion_is_stored_once(database: Opened) -> None:
    heard = Heard()
    with started(SqlJournal(database.writing), heard) as journal:
        journal.put(record(1, seq=41))
        journal.put(record(2, seq=41))
        journal.put(record(3, seq=42))
        heard.wait_for(kept=3)

    assert database.ask("SELECT number, seq FROM motions ORDER BY id") == [(1, 41), (3, 42)]
    assert database.reader.counted() == {("b1", BOOT): 2}
    assert heard.gone == []


def test_the_rows_stand_in_the_order_they_were_put(database: Opened) -> None:
    heard = Heard()
    with started(SqlJournal(database.writing), heard) as journal:
        for number in range(1, 2001):
            journal.put(record(number))
        heard.wait_for(kept=2000)

    assert heard.kept == list(range(1, 2001))
    assert database.ask("SELECT number FROM decisions ORDER BY id") == [
        (number,) for number in range(1, 2001)
    ]


def test_a_full_queue_refuses_and_counts(database: Opened) -> None:
    heard = Heard()
    journal = SqlJournal(database.writing, queue_max=3)

    taken = [journal.put(record(number)) for number in range(1, 6)]

    assert taken == [True, True, True, False, False]
    assert journal.counts() == (0, 2, 3, "")
    with started(journal, heard):
        heard.wait_for(kept=3)
    assert journal.counts() == (3, 2, 0, "")
    assert heard.kept == [1, 2, 3]


def test_closing_writes_what_is_queued_and_takes_no_more(database: Opened) -> None:
    heard = Heard()
    journal = SqlJournal(database.writing)
    for number in range(1, 1201):
        journal.put(record(number))
    journal.start(heard)
    journal.close()

    assert heard.kept == list(range(1, 1201))
    assert not journal.put(record(1201))
    assert journal.counts() == (1200, 1, 0, "")


def test_a_record_that_cannot_be_written_is_lost_alone(database: Opened) -> None:
    heard = Heard()
    journal = SqlJournal(database.writing)
    for number in range(1, 10):
        journal.put(record(number, seq=2**70 if number == 5 else number))
    with started(journal, heard):
        heard.wait_for(kept=8, gone=1)
        journal.put(record(10))
        heard.wait_for(kept=9)

    assert heard.gone == [5]
    assert heard.kept == [1, 2, 3, 4, 6, 7, 8, 9, 10]
    assert journal.counts() == (9, 1, 0, "")


def test_the_journal_outlives_a_listener_that_fails(database: Opened) -> None:
    class Failing(Heard):
        def committed(self, records: list[Record]) -> None:
            super().committed(records)
            if 1 in self.kept[-len(records) :]:
                raise RuntimeError("nobody home")

    heard = Failing()
    with started(SqlJournal(database.writing), heard) as journal:
        journal.put(record(1))
        heard.wait_for(kept=1)
        journal.put(record(2))
        heard.wait_for(kept=2)

    assert database.ask("SELECT count(*) FROM motions") == [(2,)]


def test_three_snapshots_are_kept_the_newest(database: Opened) -> None:
    heard = Heard()
    with started(SqlJournal(database.writing), heard) as journal:
        for number in range(1, 8):
            journal.put(Record(number, number, EVENING, snapshot={"n": number}))
            heard.wait_for(kept=number)

    assert SNAPSHOTS_KEPT == 3
    assert database.ask("SELECT number FROM snapshots ORDER BY number") == [(5,), (6,), (7,)]
    latest = database.reader.latest_snapshot()
    assert latest is not None
    assert latest.memory == {"n": 7}


def test_putting_costs_less_than_twenty_bare_appends(database: Opened) -> None:
    journal = SqlJournal(database.writing, queue_max=PUTS * 10)
    one, bare = record(1), deque[Record]()

    put_ns = min(_cost_ns(journal, one) for _ in range(5))
    append_ns = min(_cost_ns(bare, one) for _ in range(5))

    print(f"put {put_ns:.0f} ns, bare append {append_ns:.0f} ns, {put_ns / append_ns:.1f}x")
    assert journal.counts().lost == 0
    assert put_ns < COST_MAX * append_ns


def _cost_ns(into: SqlJournal | deque[Record], one: Record) -> float:
    put = into.append if isinstance(into, deque) else into.put
    began = time.perf_counter_ns()
    for _ in range(PUTS):
        put(one)
    return (time.perf_counter_ns() - began) / PUTS
