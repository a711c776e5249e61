"""Goal: lists can be walked page by page, both ways, while the night goes on adding to them.

Method: a journal's rows of known numbers; cursors followed as a page would.
"""

from typing import Any

from haunt.core.decisions import Outcome
from haunt.store.journal import SqlJournal
from haunt.store.longrows import BATCH
from haunt.store.reader import CHUNK
from tests.core.stage import EVENING
from tests.store.stage import Heard, Opened, record


def fill(database: Opened, first: int, last: int, **more: Any) -> None:
    journal, heard = SqlJournal(database.writing), Heard()
    journal.start(heard)
    for number in range(first, last + 1):
        journal.put(record(number, **more))
    heard.wait_for(kept=last - first + 1)
    journal.close()


def ids(items: list[dict[str, Any]]) -> list[int]:
    return [each["id"] for each in items]


def test_pages_forward_meet_every_row_once_while_rows_are_added(database: Opened) -> None:
    fill(database, 1, 25)
    met: list[int] = []
    after: int | None = None
    for turn in range(100):
        page = database.reader.decisions(after=after, limit=10)
        met += ids(page.items)
        if page.next is None:
            break
        after = page.next
        if turn < 3:
            fill(database, 26 + turn * 5, 30 + turn * 5)

    assert met == list(range(1, 41))


def test_pages_backward_meet_every_older_row_once_while_rows_are_added(database: Opened) -> None:
    fill(database, 1, 25)
    page = database.reader.decisions(newest=True, limit=10)
    met = [ids(page.items)]
    added = 26
    while page.next is not None:
        fill(database, added, added)
        added += 1
        page = database.reader.decisions(before=page.next, limit=10)
        met.append(ids(page.items))

    assert met == [list(range(16, 26)), list(range(6, 16)), list(range(1, 6))]


def test_a_page_that_just_fits_has_no_next(database: Opened) -> None:
    fill(database, 1, 10)

    assert database.reader.decisions(limit=10).next is None
    assert database.reader.decisions(limit=9).next == 9
    assert database.reader.decisions(limit=10, newest=True).next is None
    assert database.reader.decisions(after=10).items == []


def test_filters_narrow_and_combine(database: Opened) -> None:
    fill(database, 1, 4, prop="gate")
    fill(database, 5, 8, prop="crypt", outcome=Outcome.REFUSED, reason="cooldown", margin=3200)
    fill(database, 9, 12, prop="crypt", outcome=Outcome.REFUSED, reason="held")
    read = database.reader.decisions

    assert ids(read(prop="crypt").items) == [5, 6, 7, 8, 9, 10, 11, 12]
    assert ids(read(prop="crypt", reason="cooldown").items) == [5, 6, 7, 8]
    assert ids(read(outcome="fired").items) == [1, 2, 3, 4]
    assert ids(read(since_ms=EVENING + 3, until_ms=EVENING + 6).items) == [3, 4, 5]
    assert ids(read(prop="crypt", after=6, before=10).items) == [7, 8, 9]
    assert ids(read(reason="cooldown", newest=True, limit=2).items) == [7, 8]
    assert read(prop="nobody").items == []


def test_a_decision_is_shown_with_its_motion_and_time(database: Opened) -> None:
    fill(database, 41, 41, reason="cooldown", margin=3200)

    [item] = database.reader.decisions().items

    assert item["motion"] == "b1-7f3a91c2d405-41"
    assert item["at"] == "2026-11-01T17:00:00.041Z"
    assert (item["reason"], item["margin"]) == ("cooldown", 3200)


def test_the_lines_are_all_that_match_in_order_over_many_batches(database: Opened) -> None:
    last = 2 * BATCH + 7
    fill(database, 1, last)

    def numbers(**asked: Any) -> list[int]:
        text = "".join(database.reader.decision_lines(**asked))
        return [int(line.split(",")[0]) for line in text.splitlines()]

    assert numbers() == list(range(1, last + 1))
    assert numbers(after=BATCH + 5, limit=3) == list(range(BATCH + 6, last + 1))
    assert numbers(before=last - 3) == list(range(1, last - 3))
    assert numbers(prop="nobody") == []


def test_events_are_read_again_in_order_over_many_chunks(database: Opened) -> None:
    last = CHUNK + 3
    fill(database, 1, last)

    assert [row[0] for row in database.reader.events_after(2)] == list(range(3, last + 1))


def test_a_show_is_kept_in_every_version(database: Opened) -> None:
    first = database.writer.save_show("one", "mara", 1)
    second = database.writer.save_show("two", "jon", 2)

    assert database.reader.show() == (second, "two")
    assert database.reader.show(first) == (first, "one")
    assert database.reader.show(second + 1) is None


def test_an_empty_database_answers_with_nothing(database: Opened) -> None:
    assert database.reader.show() is None
    assert database.reader.last_stamp() is None
    assert database.reader.latest_snapshot() is None
    assert database.reader.setting("key") is None
    assert database.reader.counted() == {}
