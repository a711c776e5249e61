"""Goal: ticks, ranges and the facts of decisions are kept, and what was is never written over.

Method: a fresh database, written through the store and the journal's own ledger.
"""

import pytest
from sqlalchemy import event

from haunt.core.decisions import Outcome
from haunt.live.ports import ActionRow, Record
from haunt.live.why.facts import Because
from haunt.store.checks import Check, CheckStore, Range
from haunt.store.ledger import Ledger
from haunt.store.refusal import StoreRefused
from tests.core.stage import EVENING
from tests.store.stage import Opened, record

DAY = "2026-10-31"


@pytest.fixture
def kept(database: Opened) -> tuple[Opened, CheckStore]:
    return database, CheckStore(database.writing, database.reader._engine)


Kept = tuple[Opened, CheckStore]


def check(line: str = "water", at_ms: int = 1, by: str = "Mara", *, done: bool = True) -> Check:
    return Check(DAY, line, at_ms, by, done)


def test_of_each_line_the_newest_stands_and_the_others_are_kept(kept: Kept) -> None:
    database, store = kept
    store.note(check(at_ms=1))
    store.note(check(at_ms=2, by="Jory", done=False))
    store.note(check("cables", 3))

    found = store.of(DAY)

    assert found == {"water": check(at_ms=2, by="Jory", done=False), "cables": check("cables", 3)}
    assert database.ask("SELECT count(*) FROM checks WHERE line = 'water'") == [(2,)]


def test_a_day_knows_nothing_of_another(kept: Kept) -> None:
    store = kept[1]
    store.note(check())

    assert store.of("2026-11-01") == {}


def test_the_newest_range_of_each_sensor_stands(kept: Kept) -> None:
    store = kept[1]
    for found in (
        Range("pir", 1, "Mara", 550, "up to the bench"),
        Range("mat", 2, "Mara", None, "whole path"),
        Range("pir", 3, "Jory", 400, ""),
    ):
        store.note_range(found)

    assert store.ranges() == {
        "pir": Range("pir", 3, "Jory", 400, ""),
        "mat": Range("mat", 2, "Mara", None, "whole path"),
    }


def test_which_sensors_reported_is_read_out_of_the_journal(kept: Kept) -> None:
    database, store = kept
    Ledger(database.writing).write([record(n) for n in (1, 2, 3)])

    assert store.seen_since(EVENING) == {"pir": EVENING + 3}
    assert store.seen_since(EVENING + 4) == {}


def action(number: int, what: str, by: str = "Mara") -> Record:
    return Record(number, number, EVENING + number, action=ActionRow(by, what, ""))


@pytest.mark.parametrize(
    ("whats", "expected"),
    [
        (("stop",), None),
        (("stop released",), None),
        (("stop released", "stop"), None),
        (("stop", "stop released"), (1, 2)),
        (("stop", "stop", "stop released", "hold"), (2, 3)),
        (("stop", "stop released", "stop"), (1, 2)),
        (("stop", "stop released", "stop", "stop released"), (3, 4)),
    ],
)
def test_a_stop_was_tried_when_one_was_released_again(
    kept: Kept, whats: tuple[str, ...], expected: tuple[int, int] | None
) -> None:
    database, store = kept
    Ledger(database.writing).write([action(n, what) for n, what in enumerate(whats, 1)])

    found = store.stop_tried(EVENING)

    assert (None if found is None else (found.stopped_ms, found.released_ms)) == (
        None if expected is None else (EVENING + expected[0], EVENING + expected[1])
    )
    assert store.stop_tried(EVENING + 10) is None


def test_the_page_before_opening_asks_the_journal_three_times(kept: Kept) -> None:
    store, asked = kept[1], list[str]()

    def note(*words: object) -> None:
        asked.append(str(words[2]))

    event.listen(store._reading, "before_cursor_execute", note)
    store.of(DAY)
    store.seen_since(0)
    store.stop_tried(0)

    assert len([each for each in asked if each.lstrip().upper().startswith("SELECT")]) == 3


def test_a_disk_that_refuses_is_said_in_words(kept: Kept) -> None:
    database = kept[0]
    broken = CheckStore(database.reader._engine, database.reader._engine)

    with pytest.raises(StoreRefused, match="could not be kept"):
        broken.note(check())


def test_why_a_decision_fell_is_kept_beside_it_and_read_again(kept: Kept) -> None:
    database = kept[0]
    why = Because(25_000, 0, EVENING, None, "owl")
    refused = record(1, outcome=Outcome.REFUSED, reason="cooldown", margin=3200)
    refused.because = (why,)
    Ledger(database.writing).write([refused, record(2)])

    first, second = database.reader.decisions().items

    assert first["because"] == {"number": 25_000, "limit": 0, "since_ms": EVENING, "cause": "owl"}
    assert second["because"] is None
    assert Because(**first["because"]) == why
