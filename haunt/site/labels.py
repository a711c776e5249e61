"""Labels to be printed, chosen on a page: paper, address, and which props and boards."""

from datetime import datetime
from typing import Annotated, Final, Literal, NamedTuple

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse

from haunt.core.calendar import utc
from haunt.live.errors import CrewMistake
from haunt.site.lists import attached
from haunt.site.pages import Pages
from haunt.site.paper.ink import PAPERS
from haunt.site.paper.labels import Label, label_sheets, labels_of
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

PDF: Final = "application/pdf"
IDS_MAX: Final = 2000

PaperName = Literal["a4", "letter"]
Ids = Annotated[list[str], Query(max_length=IDS_MAX)]


class Address(NamedTuple):
    """Where printed codes lead; `word` is that of the form."""

    word: str
    url: str
    why: str


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/labels")
    def page(request: Request) -> HTMLResponse:
        file = _show(pages)
        return pages.page(
            request,
            "labels.html",
            papers=PAPERS.values(),
            addresses=addresses_of(pages, request),
            props=[(each.id, each.name or each.id) for each in file.props],
            boards=[each.id for each in file.boards],
        )

    @router.get("/labels.pdf")
    def sheets(
        request: Request,
        paper: PaperName = "a4",
        at: Annotated[str, Query(max_length=16)] = "",
        prop: Ids = [],  # noqa: B006 - FastAPI copies it
        board: Ids = [],  # noqa: B006
    ) -> Response:
        """Without any prop or board, all of both."""
        base = base_of(addresses_of(pages, request), at)
        chosen = _chosen(labels_of(_show(pages), base), {"prop": prop, "board": board})
        printed = label_sheets(chosen, PAPERS[paper], "Labels", printed_at(pages))
        return pdf_file(printed.pdf, f"labels-{paper}.pdf")

    return router


def addresses_of(pages: Pages, request: Request) -> list[Address]:
    """The announced one first; then the one by which this page was asked for."""
    here = f"{request.url.scheme}://{request.headers['host']}"
    known = pages.services.press.address()
    found = [Address("named", known, "by which haunt is found on this network")] if known else []
    if here != known:
        found.append(Address("here", here, "that you use now"))
    return found


def base_of(found: list[Address], at: str) -> str:
    """Return the address that was chosen on the form, else the first."""
    return next((each for each in found if each.word == at), found[0]).url


def printed_at(pages: Pages) -> datetime:
    """What a document says of its making: now, in UTC to the second."""
    return utc(pages.services.wall_ms())


def pdf_file(pdf: bytes, name: str) -> Response:
    return Response(pdf, media_type=PDF, headers=attached(name))


def _show(pages: Pages) -> ShowFile:
    return read_show(pages.services.keeper.toml(), "show").show


def _chosen(labels: list[Label], wanted: dict[str, list[str]]) -> list[Label]:
    known = {(each.kind, each.id) for each in labels}
    for kind, ids in wanted.items():
        for each in ids:
            if (kind, each) not in known:
                raise CrewMistake(f"There is no {kind} {each!r}.", about=each, missing=True)
    if not any(wanted.values()):
        return labels
    return [each for each in labels if each.id in wanted[each.kind]]
