"""Notes on what was mended: written beside the prop or board, listed for all, as CSV."""

from collections.abc import Iterator
from datetime import date
from typing import Annotated, Final

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.asking import by, told
from haunt.site.lists import CursorText, RowId, csv_file
from haunt.site.plan.desk import Desk
from haunt.site.plan.rowpages import NOTED
from haunt.site.plan.tables import Row, row_of, rows_of, table_of
from haunt.site.ports import Item
from haunt.store.instants import rfc3339
from haunt.store.notes import PAGE, Note

COLUMNS: Final = ("id", "day", "kind", "about", "failed", "done", "parts", "by", "at")
NOTE_CHARS_MAX: Final = 1000

Words = Annotated[str, Form(max_length=NOTE_CHARS_MAX)]
Word = Annotated[str, Form(max_length=64)]


def routes(desk: Desk) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _lists(router, desk)
    _changes(router, desk)
    return router


def _lists(router: APIRouter, desk: Desk) -> None:
    @router.get("/plan/notes")
    def notes(request: Request, before: CursorText = "") -> Response:
        _, read = desk.now()
        found = desk.notes.notes(before=int(before) if before else None)
        known = {
            (kind, str(each.value["id"])): each
            for kind in NOTED
            for each in rows_of(table_of(kind), read.raw)
        }
        return desk.page(
            request,
            "plan_notes.html",
            notes=[(each, known.get((each.kind, each.about))) for each in found],
            older=found[-1].id if len(found) == PAGE else None,
            is_newest=not before,
        )

    @router.get("/plan/notes.csv")
    def as_csv() -> Response:
        return csv_file(COLUMNS, (_item(each) for each in _every(desk)), "notes.csv")


def _changes(router: APIRouter, desk: Desk) -> None:
    @router.post("/plan/notes")
    def add(  # noqa: PLR0913, PLR0917 - one parameter a field
        request: Request,
        kind: Word = "",
        about: Word = "",
        day: Word = "",
        failed: Words = "",
        done: Words = "",
        parts: Words = "",
    ) -> Response:
        row = _row(desk, kind, about)
        if not failed.strip() and not done.strip():
            raise CrewMistake("A note says what failed, or what was done.", about="failed")
        at_ms = desk.pages.services.wall_ms()
        texts = (each.replace("\r\n", "\n").strip() for each in (failed, done, parts))
        desk.notes.add(Note(0, at_ms, by(request), kind, about, _day(day), *texts))
        told(request, about=row.title)
        return RedirectResponse(f"{row.href}#notes", 303)

    @router.post("/plan/notes/{note}/remove")
    def remove(request: Request, note: RowId) -> Response:
        if not desk.notes.remove(note):
            raise CrewMistake(f"There is no note {note}.", about="note", missing=True)
        told(request, about=f"note {note}")
        return RedirectResponse("/plan/notes", 303)


def _row(desk: Desk, kind: str, about: str) -> Row:
    if kind not in NOTED:
        raise CrewMistake("A note is about a prop or a board.", about="kind")
    return row_of(table_of(kind), desk.now()[1].raw, about)


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as fault:
        said = f"The date is {text!r}; allowed: a date such as 2026-10-31."
        raise CrewMistake(said, about="day") from fault


def _every(desk: Desk) -> Iterator[Note]:
    before: int | None = None
    while True:
        found = desk.notes.notes(before=before)
        yield from found
        if len(found) < PAGE:
            return
        before = found[-1].id


def _item(note: Note) -> Item:
    return {**note._asdict(), "at": rfc3339(note.at_ms)}
