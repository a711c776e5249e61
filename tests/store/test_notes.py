"""Goal: notes on what was mended are there after a restart, newest first, each with its prop.

Method: a fresh database made by the scripts; a disk that refuses.
"""

import pytest
from sqlalchemy import text

from haunt.store.notes import PAGE, Note, NoteStore
from haunt.store.refusal import StoreRefused
from tests.store.stage import Opened

NOTE = Note(0, 700, "Mara", "prop", "owl", "2026-10-12", "stuck", "oiled", "oil")


def store_of(database: Opened) -> NoteStore:
    return NoteStore(database.writing, database.writing)


def test_notes_come_newest_first_and_by_what_they_are_about(database: Opened) -> None:
    store = store_of(database)
    first = store.add(NOTE)
    second = store.add(NOTE._replace(kind="board", day="2026-10-13"))

    assert [each.id for each in store.notes()] == [second, first]
    assert store.notes("prop", "owl") == [NOTE._replace(id=first)]
    assert store.notes("prop", "well") == []


def test_a_note_is_taken_out_once(database: Opened) -> None:
    store = store_of(database)
    note = store.add(NOTE)

    assert store.remove(note)
    assert not store.remove(note)
    assert store.notes() == []


def test_notes_follow_another_name_of_their_own_kind_only(database: Opened) -> None:
    store = store_of(database)
    store.add(NOTE)
    store.add(NOTE._replace(kind="board"))

    store.rename("prop", "owl", "barn-owl")

    assert [(each.kind, each.about) for each in store.notes()] == [
        ("board", "owl"),
        ("prop", "barn-owl"),
    ]


def test_many_notes_come_in_pages(database: Opened) -> None:
    store = store_of(database)
    for _ in range(PAGE + 3):
        store.add(NOTE)

    newest = store.notes()
    older = store.notes(before=newest[-1].id)

    assert [len(newest), len(older)] == [PAGE, 3]
    assert store.notes(before=older[-1].id) == []
    assert store.notes(before=10**30) == newest


def test_a_database_that_refuses_is_said_in_words(database: Opened) -> None:
    with database.writing.begin() as connection:
        connection.execute(text("DROP TABLE maintenance"))

    with pytest.raises(StoreRefused, match="note could not be kept"):
        store_of(database).add(NOTE)
    with pytest.raises(StoreRefused, match="could not be changed"):
        store_of(database).remove(1)
