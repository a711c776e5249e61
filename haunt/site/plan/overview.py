"""The whole plan at a glance: every table with its rows in short, and what the sums say of them."""

from typing import Any, Final, NamedTuple

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from haunt.site.findings import MARKS
from haunt.site.lists import attached
from haunt.site.plan.changes import value_text
from haunt.site.plan.desk import Desk, Saved
from haunt.site.plan.tables import ALL, BY_NAME, Row, Table, rows_of
from haunt.site.plan.words import WORDS, unit_of
from haunt.study.findings.book import Book
from haunt.study.findings.kinds import Severity

BRIEF: Final[dict[str, tuple[str, ...]]] = {
    "nights": ("opens", "closes"),
    "phases": ("from", "to", "max_intensity"),
    "quiet": ("days", "max_level_dba"),
    "circuits": ("volts", "breaker_a", "gfci"),
    "supplies": ("kind", "volts", "limit_a", "circuit"),
    "regulators": ("kind", "output_v"),
    "drivers": ("kind", "limit_a"),
    "boards": ("model", "place", "supply", "battery"),
    "sensors": ("kind", "board"),
    "props": ("board", "cooldown_s", "motor", "speaker", "idle", "arm_by_hand"),
    "behaviours": ("duration_s", "intensity", "level_dba"),
    "links": ("distance_m", "delay_s", "after"),
    "timetable": ("every_s", "from", "to"),
    "hazards": ("x_m", "y_m"),
}
"""The keys that tell rows of a table apart; a table that is there once shows all of its own."""

IN_SHORT: Final = frozenset({"battery", "motor", "speaker", "idle", "arm_by_hand"})
"""Of these only that they are there."""


class RowLine(NamedTuple):
    """`mark` is the worst that the sums say of it: level, shape and word."""

    row: Row
    facts: str
    mark: tuple[str, str, str] | None
    inner: list[Row]


class TableView(NamedTuple):
    table: Table
    rows: list[RowLine]
    facts: list[tuple[str, str]]
    """Of a table that is there once."""


def routes(desk: Desk) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/plan")
    def overview(request: Request, saved: Saved = None) -> Response:
        kept, read = desk.now()
        book = desk.shows.book(read)
        newest = desk.shelf.versions(1)
        return desk.page(
            request,
            "plan.html",
            tables=[_table(each, read.raw, book) for each in ALL.values() if not each.around],
            counts=counts_of(book),
            number=kept.version,
            newest=newest[0] if newest else None,
            moment=desk.pages.moment,
            flash=desk.flash(saved, "/plan"),
            on=kept.version,
        )

    @router.get("/plan/export.toml")
    def export() -> Response:
        """Send the show as it is kept, to the letter."""
        kept = desk.keeper.kept()
        name = f"{desk.pages.presenter().night.show_id}-{kept.version}.toml"
        return Response(
            kept.text.encode(),
            media_type="application/toml",
            headers=attached(name),
        )

    return router


def counts_of(book: Book) -> list[tuple[str, str, str, int]]:
    """Level, shape, word and number of findings of each severity that there is."""
    return [
        (mark.level, mark.shape, mark.word, len(book.of(severity)))
        for severity, mark in MARKS.items()
        if book.of(severity)
    ]


def _table(table: Table, raw: dict[str, Any], book: Book) -> TableView:
    rows = rows_of(table, raw)
    if table.is_single:
        return TableView(table, [], _facts(table, rows[0].value))
    inner = [each for each in BY_NAME.values() if each.around == table.name]
    within = [row for each in inner for row in rows_of(each, raw)]
    return TableView(table, [_line(each, book, within) for each in rows], [])


def _line(row: Row, book: Book, within: list[Row]) -> RowLine:
    brief = BRIEF[row.table.slug]
    facts = [_brief(row, key) for key in brief if key in row.value]
    length = len(row.path)
    inner = [each for each in within if each.path[:length] == row.path]
    return RowLine(row, " · ".join(facts), _mark(row, book), inner)


def _brief(row: Row, key: str) -> str:
    label = WORDS[row.table.model][key].label
    if key in IN_SHORT:
        return label.lower()
    return f"{label.lower()} {value_text(row.value[key], unit_of(key))}"


def _facts(table: Table, value: dict[str, Any]) -> list[tuple[str, str]]:
    return [
        (WORDS[table.model][key].label, _fact(each, unit_of(key))) for key, each in value.items()
    ]


def _fact(value: Any, unit: str) -> str:
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return ", ".join(str(each.get("name", n)) for n, each in enumerate(value, 1))
    return value_text(value, unit)


def _mark(row: Row, book: Book) -> tuple[str, str, str] | None:
    length = len(row.path)
    for severity in (Severity.MUST, Severity.SHOULD):
        if any(each.finding.path[:length] == row.path for each in book.of(severity)):
            return MARKS[severity].level, MARKS[severity].shape, MARKS[severity].word
    return None
