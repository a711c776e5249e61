"""The page of findings: every sum done over the show file as it is kept, worst first."""

from typing import Final, NamedTuple, TypeAlias

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from haunt.site.newest import Newest
from haunt.site.pages import Pages
from haunt.site.ports import SunsetOf
from haunt.study.findings.book import Book, Placed, look
from haunt.study.findings.kinds import About, PackForecast, Severity, chance
from haunt.study.findings.words import amount, measured
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.workshop.cautions import CAUTIONS, DECIDES, TITLES, Topic

Books: TypeAlias = Newest[Book | ShowFileRefused]


class Mark(NamedTuple):
    """How a severity looks and is called: its shape and word tell it without colour."""

    word: str
    shape: str
    level: str
    title: str


MARKS: Final = {
    Severity.MUST: Mark("Must", "cross", "now", "Mend before anybody comes near"),
    Severity.SHOULD: Mark("Should", "warn", "soon", "Mend before the night"),
    Severity.NOTE: Mark("Note", "hollow", "", "Good to know"),
}


class Row(NamedTuple):
    place: str
    href: str
    why: str
    figure: str
    mend: str
    check: str


class Group(NamedTuple):
    mark: Mark
    rows: list[Row]


class PackRow(NamedTuple):
    board: str
    sure: str
    takes: str
    gives: str
    night: str
    assumed: str
    starts: list[str]


def routes(pages: Pages, known: Books) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/findings")
    def findings(request: Request) -> HTMLResponse:
        found = known.of(pages.services.keeper.toml())
        book = found if isinstance(found, Book) else None
        return pages.page(
            request,
            "findings.html",
            refused=[] if isinstance(found, Book) else [str(each) for each in found.faults],
            groups=[] if book is None else _groups(book),
            packs=[] if book is None else [_pack(each) for each in book.packs],
            needs=[] if book is None else book.unchecked,
            cautions=[(TITLES[each], CAUTIONS[each]) for each in _topics(book)],
            decides=DECIDES,
        )

    return router


def books(sunset_of: SunsetOf) -> Books:
    """Return what has the sums of a text done, or says why it cannot be read."""

    def book(text: str) -> Book | ShowFileRefused:
        try:
            read = read_show(text, "show file")
        except ShowFileRefused as refused:
            return refused
        return look(read, sunset_of(read.show))

    return Newest(book)


def _topics(book: Book | None) -> list[Topic]:
    return list(Topic) if book is None else book.cautions


def _groups(book: Book) -> list[Group]:
    return [
        Group(mark, [_row(each) for each in book.of(severity)])
        for severity, mark in MARKS.items()
        if book.of(severity)
    ]


def _row(placed: Placed) -> Row:
    found = placed.finding
    return Row(
        f"Line {placed.line}, {placed.key}",
        _href(found.about),
        found.why,
        measured(found.figure) if found.figure is not None else "",
        found.mend,
        found.check,
    )


def _href(about: About) -> str:
    if about.kind == "prop":
        return f"/props/{about.id}"
    return f"/boards#board-{about.id}" if about.kind == "board" else ""


def _pack(of: PackForecast) -> PackRow:
    found = of.forecast
    return PackRow(
        of.board,
        chance(found.sure),
        amount(found.takes, "mAh"),
        amount(found.gives, "mAh"),
        f"{found.night_h:.1f} h",
        ", ".join(of.assumed),
        [f"{each.behaviour} of {each.prop} {each.mwh:.0f} mWh" for each in of.charges],
    )
