"""Goal: the log says where it is broken: the server was off, or had no broker.

Method: events written as the journal writes them, with decisions and health round them.
"""

from haunt.core import events
from haunt.live.ports import HealthRow, Record
from haunt.store.journal import SqlJournal
from tests.core.stage import BOOT, EVENING
from tests.store.stage import Heard, Opened, decision

MINUTE_MS = 60_000


def put(database: Opened, *records: Record) -> None:
    journal, heard = SqlJournal(database.writing), Heard()
    for each in records:
        journal.put(each)
    journal.start(heard)
    heard.wait_for(kept=len(records))
    journal.close()


def decided(number: int, minute: int) -> Record:
    wall_ms = EVENING + minute * MINUTE_MS
    return Record(number, number, wall_ms, decisions=(decision(number, wall_ms=wall_ms),))


def healthy(number: int, minute: int) -> Record:
    row = HealthRow("b1", BOOT, 1, None, None, None, "power-on", {}, {})
    return Record(number, number, EVENING + minute * MINUTE_MS, health=row)


def happened(number: int, minute: int, event: events.Event) -> Record:
    return Record(number, number, EVENING + minute * MINUTE_MS, event)


def started(number: int, minute: int) -> Record:
    wall_ms = EVENING + minute * MINUTE_MS
    return happened(number, minute, events.Started(number, wall_ms, 0, False, True))


def link(number: int, minute: int, *, up: bool) -> Record:
    wall_ms = EVENING + minute * MINUTE_MS
    return happened(number, minute, events.LinkChanged(number, wall_ms, up))


def evening(database: Opened) -> None:
    put(
        database,
        started(1, 0),
        decided(2, 5),
        healthy(3, 9),
        started(4, 20),
        decided(5, 21),
        link(6, 30, up=False),
        link(7, 31, up=True),
        decided(8, 40),
    )


def test_a_restart_says_since_when_nobody_was_heard(database: Opened) -> None:
    evening(database)
    found = database.reader.breaks(None, None)

    assert [each.kind for each in found] == ["back", "lost", "off", "off"]
    assert found[2].at_ms == EVENING + 20 * MINUTE_MS
    assert found[2].heard_ms == EVENING + 9 * MINUTE_MS
    assert found[3].heard_ms is None, "nobody had been heard before the first start"


def test_only_what_lies_between_two_decisions_is_told(database: Opened) -> None:
    evening(database)
    ids = [each["id"] for each in database.reader.decisions().items]

    assert [b.kind for b in database.reader.breaks(ids[1], None)] == ["back", "lost"]
    assert [b.kind for b in database.reader.breaks(ids[0], ids[1])] == ["off"]
    assert [b.kind for b in database.reader.breaks(None, ids[0])] == ["off"]


def test_a_span_of_time_bounds_them_too(database: Opened) -> None:
    evening(database)
    span = EVENING + 25 * MINUTE_MS, EVENING + 31 * MINUTE_MS

    assert [b.kind for b in database.reader.breaks(None, None, *span)] == ["lost"]


def test_they_are_found_by_an_index_of_their_own(in_file: Opened) -> None:
    said = in_file.ask(
        "EXPLAIN QUERY PLAN SELECT wall_ms FROM events WHERE kind IN ('Started', 'LinkChanged')"
        " AND number > 3 ORDER BY number DESC LIMIT 5"
    )
    assert "ix_events_breaks" in said[0][3]
