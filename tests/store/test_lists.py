"""Goal: lists answer every question, odd ones too, exactly and in flat memory.

Method: decisions put by a journal with times of our choosing, and questions no page would ask.
"""

import tracemalloc

import pytest

from haunt.core.decisions import SendCue
from haunt.live.ports import Record
from haunt.store.journal import SqlJournal
from haunt.store.lists import LIMIT_MAX
from haunt.store.longrows import BATCH
from tests.core.stage import BOOT, EVENING
from tests.store.stage import Heard, Opened, decision, record

HOUR_MS = 3_600_000


def put(database: Opened, *records: Record) -> None:
    journal, heard = SqlJournal(database.writing), Heard()
    for each in records:
        journal.put(each)
    journal.start(heard)
    heard.wait_for(kept=len(records))
    journal.close()


def at(number: int, wall_ms: int) -> Record:
    """Return a record whose one decision was made at this time."""
    return Record(number, number, wall_ms, decisions=(decision(number, wall_ms=wall_ms),))


def ids(found: list[dict[str, object]]) -> list[object]:
    return [each["id"] for each in found]


@pytest.mark.parametrize(
    "value", ["nobody", "", "'; DROP TABLE decisions; --", "%", "\ud800", "\0"]
)
@pytest.mark.parametrize("name", ["prop", "outcome", "reason", "sensor", "board"])
def test_an_unknown_value_matches_nothing(database: Opened, name: str, value: str) -> None:
    put(database, record(1))

    assert database.reader.decisions(**{name: value}) == ([], None)  # type: ignore[arg-type]
    assert len(database.reader.decisions().items) == 1


@pytest.mark.parametrize("number", [-1, 0, 2**63 - 1, 2**63, 10**30, -(10**30)])
def test_no_number_is_too_large_to_ask_for(database: Opened, number: int) -> None:
    put(database, record(1))
    read = database.reader.decisions

    assert len(read(after=number).items) == (number < 1)
    assert len(read(before=number).items) == (number > 1)
    assert len(read(since_ms=number).items) == (number < EVENING)
    assert len(read(until_ms=number).items) == (number > EVENING)
    assert len(read(limit=number).items) == 1


def test_a_page_is_never_longer_than_the_most_allowed(database: Opened) -> None:
    put(database, *(record(number) for number in range(1, LIMIT_MAX + 3)))
    page = database.reader.decisions(limit=10 * LIMIT_MAX)

    assert (len(page.items), page.next) == (LIMIT_MAX, LIMIT_MAX)
    assert len(database.reader.decisions().items) == 100


def test_what_a_list_does_not_have_is_not_asked_of_it(database: Opened) -> None:
    put(database, record(1))

    assert len(database.reader.motions(prop="gate", outcome="fired").items) == 1


def test_a_span_of_time_is_exact_though_the_clock_was_set_back(database: Opened) -> None:
    times = [EVENING, EVENING + HOUR_MS, EVENING + 60, EVENING + 2 * HOUR_MS, EVENING + 90]
    put(database, *(at(number, wall_ms) for number, wall_ms in enumerate(times, 1)))
    read = database.reader.decisions

    assert ids(read(since_ms=EVENING + HOUR_MS).items) == [2, 4]
    assert ids(read(until_ms=EVENING + HOUR_MS).items) == [1, 3, 5]
    assert ids(read(since_ms=EVENING + 60, until_ms=EVENING + HOUR_MS).items) == [3, 5]
    assert ids(read(since_ms=EVENING + 60, limit=2).items) == [2, 3]
    assert ids(read(since_ms=EVENING + 60, after=3).items) == [4, 5]
    assert ids(read(until_ms=EVENING + 90, newest=True, limit=1).items) == [3]
    assert read(since_ms=EVENING + 3 * HOUR_MS).items == []


def test_the_lines_end_though_the_night_goes_on(database: Opened) -> None:
    put(database, *(record(number) for number in range(1, BATCH + 6)))
    lines = database.reader.decision_lines()
    first = next(lines)
    put(database, *(record(number) for number in range(BATCH + 6, BATCH + 20)))

    found = (first + "".join(lines)).splitlines()
    assert [int(line.split(",")[0]) for line in found] == list(range(1, BATCH + 6))


def test_the_lines_of_six_batches_take_the_memory_of_two(database: Opened) -> None:
    put(database, *(record(number) for number in range(1, 6 * BATCH + 1)))
    list(database.reader.decision_lines(before=10))  # statements compiled

    def peak(last: int) -> int:
        tracemalloc.start()
        count = sum(each.count("\r\n") for each in database.reader.decision_lines(before=last + 1))
        taken = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert count == last
        return taken

    assert peak(6 * BATCH) < 1.5 * peak(2 * BATCH)


def test_cues_are_listed_as_they_were_sent(database: Opened) -> None:
    cue = SendCue("b1", "c-1", 3, "gate", "growl", 4500, 70, "who goes there")
    put(database, Record(1, 70, EVENING, cues=(cue,)))

    [item] = database.reader.cues(prop="gate").items
    assert item == {
        "id": 1,
        "at": "2026-11-01T17:00:00.000Z",
        "cue": "c-1",
        "board": "b1",
        "prop": "gate",
        "behaviour": "growl",
        "epoch": 3,
        "max_ms": 4500,
        "line": "who goes there",
    }


def test_which_line_was_spoken_stands_with_the_decision(database: Opened) -> None:
    fired, silent = decision(1), decision(2)._replace(cue="c-2")
    fired = fired._replace(cue="c-1")
    cues = [
        SendCue("b1", name, 3, "gate", "growl", 4500, 70, line)
        for name, line in (("c-1", "who goes there"), ("c-2", None), ("c-3", "nobody's"))
    ]
    put(database, Record(1, 70, EVENING, decisions=(fired, silent), cues=tuple(cues)))

    assert [each["line"] for each in database.reader.decisions().items] == ["who goes there", None]


def test_motions_are_counted_by_board_and_boot(database: Opened) -> None:
    put(database, record(1), record(2), record(3, seq=2))

    assert database.reader.counted() == {("b1", BOOT): 2}


def test_the_last_number_counts_records_without_an_event_too(database: Opened) -> None:
    assert database.reader.last_number() == 0
    put(database, record(1), Record(2, 20, EVENING + 20))

    assert database.reader.last_number() == 2
    assert database.reader.last_stamp() == (2, 20, EVENING + 20)
