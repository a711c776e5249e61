"""What owners do about people: roles, links to join by, tokens, sessions, and the logbook."""

import json
from collections.abc import Iterator
from typing import Annotated, Final

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse, StreamingResponse

from haunt.live.errors import CrewMistake
from haunt.site.asking import by, told
from haunt.site.invitations import DAYS_MAX, HOURS_MAX, USES_MAX, NewLink
from haunt.site.lists import (
    CursorText,
    RowId,
    attached,
    csv_file,
    every,
    instant,
    one_list,
)
from haunt.site.pages import Pages
from haunt.site.ports import Item
from haunt.site.qr import qr_svg
from haunt.site.rights import what_roles_can
from haunt.site.sign_in import address_of_link
from haunt.store.roster import Person

DEEDS_SHOWN: Final = 50
DEED_COLUMNS: Final = ("id", "at", "who", "address", "what", "about", "result")
SIGN_IN_HOURS: Final = 24

Word = Annotated[str, Form(max_length=64)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _list(router, pages)
    _links(router, pages)
    _tokens(router, pages)
    _person(router, pages)
    _logbook(router, pages)
    return router


def list_routes(pages: Pages) -> APIRouter:
    """The logbook for programs."""
    router = APIRouter(prefix="/api/v1")
    one_list(router, "logbook", DEED_COLUMNS, pages.services.entrance.book.logbook)
    return router


def _list(router: APIRouter, pages: Pages) -> None:
    doors = pages.services.entrance.doors

    @router.get("/people")
    async def people(request: Request) -> HTMLResponse:
        return pages.page(
            request,
            "people.html",
            people=[(each, doors.seen_ms(each)) for each in doors.roster.people],
            links=[(each, _whose(pages, each.person)) for each in doors.links()],
            tokens=doors.tokens(),
            roles=what_roles_can(),
            moment=pages.moment,
            hours_max=HOURS_MAX,
            uses_max=USES_MAX,
            days_max=DAYS_MAX,
        )


def _links(router: APIRouter, pages: Pages) -> None:
    entrance = pages.services.entrance

    @router.post("/people/links")
    async def make(
        request: Request,
        role: Word,
        hours: Annotated[float, Form(gt=0, le=HOURS_MAX, allow_inf_nan=False)],
        uses: Annotated[int, Form(ge=1, le=USES_MAX)] = 1,
    ) -> Response:
        """Answer with the code itself: it is kept nowhere and cannot be shown again."""
        code = await entrance.make_link(NewLink("join", role, hours, uses), by(request))
        told(request, about=f"{role}, {uses} times, {hours:g} h")
        return _shown(pages, request, "join", code, f"Join as {role}")

    @router.post("/people/{person}/link")
    async def sign_in_link(request: Request, person: RowId) -> Response:
        found = _one(pages, person)
        wanted = NewLink("sign-in", found.role, SIGN_IN_HOURS, 1, person)
        code = await entrance.make_link(wanted, by(request))
        told(request, about=found.name)
        return _shown(pages, request, "sign-in", code, f"Sign in as {found.name}")

    @router.post("/people/links/{link}/end")
    async def end(link: RowId) -> Response:
        await entrance.end_link(link)
        return RedirectResponse("/people", 303)


def _shown(pages: Pages, request: Request, kind: str, code: str, title: str) -> HTMLResponse:
    url = address_of_link(f"{request.url.scheme}://{request.headers['host']}", kind, code)
    return pages.page(request, "link.html", title=title, url=url, qr=qr_svg(url))


def _tokens(router: APIRouter, pages: Pages) -> None:
    entrance = pages.services.entrance

    @router.post("/people/tokens")
    async def make(
        request: Request,
        name: Word,
        role: Word,
        days: Annotated[str, Form(pattern=r"^[0-9]{0,4}$")] = "",
    ) -> Response:
        token = await entrance.make_token(name, role, int(days) if days else None, by(request))
        told(request, about=f"{name}, {role}")
        return pages.page(request, "token.html", name=name, role=role, token=token)

    @router.post("/people/tokens/{token}/end")
    async def end(token: RowId) -> Response:
        await entrance.end_token(token)
        return RedirectResponse("/people", 303)


def _person(router: APIRouter, pages: Pages) -> None:
    entrance = pages.services.entrance

    @router.get("/people/{person}")
    async def person_page(request: Request, person: RowId) -> HTMLResponse:
        found = _one(pages, person)
        return pages.page(
            request,
            "person.html",
            person=found,
            roles=what_roles_can(),
            sessions=entrance.doors.sessions_of(person),
            seen_ms=entrance.doors.seen_ms(found),
            moment=pages.moment,
        )

    @router.post("/people/{person}/role")
    async def set_role(request: Request, person: RowId, role: Word) -> Response:
        told(request, about=f"{_one(pages, person).name}: {role}")
        await entrance.set_role(person, role)
        return RedirectResponse(f"/people/{person}", 303)

    @router.post("/people/{person}/sign-out")
    async def sign_out(request: Request, person: RowId) -> Response:
        told(request, about=_one(pages, person).name)
        await entrance.end_sessions_of(person)
        return RedirectResponse(f"/people/{person}", 303)

    @router.post("/people/{person}/remove")
    async def remove(request: Request, person: RowId) -> Response:
        told(request, about=_one(pages, person).name)
        await entrance.remove(person)
        return RedirectResponse("/people", 303)


def _logbook(router: APIRouter, pages: Pages) -> None:
    book = pages.services.entrance.book

    @router.get("/logbook")
    def logbook(request: Request, before: CursorText = "") -> HTMLResponse:
        found = book.logbook(newest=True, limit=DEEDS_SHOWN, before=int(before) if before else None)
        return pages.page(
            request,
            "logbook.html",
            deeds=list(reversed(found.items)),
            older=found.next,
            is_newest=not before,
            moment=lambda at: pages.moment(instant(at, "at")),
        )

    @router.get("/logbook.csv")
    def as_csv() -> Response:
        return csv_file(DEED_COLUMNS, every(book.logbook, {}), "logbook.csv")

    @router.get("/logbook.json")
    def as_json() -> Response:
        return StreamingResponse(
            _pieces(every(book.logbook, {})),
            media_type="application/json",
            headers=attached("logbook.json"),
        )


def _pieces(deeds: Iterator[Item]) -> Iterator[str]:
    """One object in pieces: a long season's log is never in memory whole."""
    yield '{"items":['
    for count, deed in enumerate(deeds):
        yield ("," if count else "") + json.dumps(deed)
    yield "]}"


def _one(pages: Pages, person: int) -> Person:
    found = pages.services.entrance.doors.person(person)
    if found is None:
        raise CrewMistake("There is no such person.", about="person", missing=True)
    return found


def _whose(pages: Pages, person: int | None) -> str:
    found = pages.services.entrance.doors.person(person) if person is not None else None
    return found.name if found is not None else ""
