"""The ways in: name and password, or a link that was scanned. A link is used by a press only."""

from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.site.asking import Secret, device_of, own_path, remember, told, told_refused
from haunt.site.entrance import Entrance, Inside, TooSoon, WrongPassword
from haunt.site.pages import Pages
from haunt.site.passwords import LENGTH_MIN, PoolFull
from haunt.site.rights import CAN, GRANTED, Role
from haunt.store.roster import NAME_MAX, Link, LinkSpent, PeopleRefused

BUSY: Final = "Many are signing in. Try again in a few seconds."
BUSY_S: Final = 2
KINDS: Final = {"/set-up": "set-up", "/join": "join", "/link": "sign-in"}

Text = Annotated[str, Form(max_length=256)]
Code = Annotated[str, Query(max_length=128)]
Next = Annotated[str, Query(max_length=1024)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _by_name(router, pages, pages.services.entrance)
    for path, kind in KINDS.items():
        _by_link(router, pages, path, kind)
    return router


def _by_name(router: APIRouter, pages: Pages, entrance: Entrance) -> None:
    def page(
        request: Request, wanted: str, status: int = 200, name: str = "", fault: str = ""
    ) -> HTMLResponse:
        return pages.door(
            request,
            "sign_in.html",
            status,
            next=own_path(wanted),
            name=name,
            fault=fault,
            is_ownerless=_is_ownerless(entrance),
        )

    @router.get("/sign-in")
    async def sign_in_page(request: Request, next: Next = "/") -> HTMLResponse:  # noqa: A002
        return page(request, next)

    @router.post("/sign-in")
    async def sign_in(
        request: Request,
        name: Text = "",
        password: Secret = "",
        next: Annotated[str, Form(max_length=1024)] = "/",  # noqa: A002
    ) -> Response:
        known = entrance.doors.named(name)
        told(request, who=known.name if known is not None else "")
        try:
            inside = await entrance.sign_in(name, password, device_of(request))
        except (PeopleRefused, PoolFull) as refused:
            status, said, wait_s = _told(refused)
            told_refused(request, said)
            answer = page(request, next, status, name, said)
            if wait_s:
                answer.headers["retry-after"] = str(wait_s)
            return answer
        return _let_in(request, inside, own_path(next))


def _is_ownerless(entrance: Entrance) -> bool:
    """Whether the link of the first start is still the only way in; False while none can tell."""
    roster = entrance.doors.roster
    return bool(roster.version) and not any(each.role == "owner" for each in roster.people)


def _by_link(router: APIRouter, pages: Pages, path: str, kind: str) -> None:
    door = LinkDoor(pages, kind)

    @router.get(path)
    async def look(request: Request, code: Code = "") -> HTMLResponse:
        return await door.page(request, code)

    @router.post(path)
    async def use(
        request: Request,
        code: Annotated[str, Form(max_length=128)] = "",
        name: Text = "",
        password: Secret = "",
    ) -> Response:
        return await door.use(request, code, name, password)


class LinkDoor:
    """The door that links of one kind open: a look uses none up, a press does."""

    def __init__(self, pages: Pages, kind: str) -> None:
        self._pages, self._kind, self._entrance = pages, kind, pages.services.entrance

    async def page(
        self, request: Request, code: str, status: int = 200, name: str = "", fault: str = ""
    ) -> HTMLResponse:
        try:
            link = await self._link(code)
        except LinkSpent as spent:
            return self._spent(request, spent)
        whose = self._entrance.doors.person(link.person) if link.person is not None else None
        role = Role.OWNER if self._kind == "set-up" else GRANTED[link.role]
        return self._pages.door(
            request,
            "come_in.html",
            status,
            kind=self._kind,
            code=code,
            role=role.word,
            can=CAN[role],
            whose=whose.name if whose is not None else "",
            wants_password=self._kind != "sign-in" and role > Role.WATCH,
            name=name,
            fault=fault,
            name_max=NAME_MAX,
            length_min=LENGTH_MIN,
        )

    async def use(self, request: Request, code: str, name: str, password: str) -> Response:
        try:
            await self._link(code)
            inside = await self._entrance.use_link(code, name, password, device_of(request))
        except LinkSpent as spent:  # also by somebody who came a moment earlier
            told_refused(request, spent.what)
            return self._spent(request, spent)
        except (PeopleRefused, PoolFull) as refused:
            status, said, _ = _told(refused)
            told_refused(request, said)
            return await self.page(request, code, status, name, said)
        told(request, who=inside.name)
        return _let_in(request, inside, "/")

    async def _link(self, code: str) -> Link:
        found = await self._entrance.link(code)
        if found.kind != self._kind:
            raise LinkSpent
        return found

    def _spent(self, request: Request, spent: LinkSpent) -> HTMLResponse:
        return self._pages.door(request, "spent.html", 410, fault=spent.what)


def _let_in(request: Request, inside: Inside, where: str) -> Response:
    answer = RedirectResponse(where, 303)
    remember(request, answer, inside.secret)
    return answer


def _told(refused: PeopleRefused | PoolFull) -> tuple[int, str, int]:
    """Return the status, the words, and how many seconds to wait."""
    if isinstance(refused, PoolFull):
        return 503, BUSY, BUSY_S
    if isinstance(refused, TooSoon):
        return 429, refused.what, refused.wait_s
    return (401 if isinstance(refused, WrongPassword) else 422), refused.what, 0


def address_of_link(base: str, kind: str, code: str) -> str:
    """Return where a link leads; the code stands in the query, which no log of ours has."""
    path = next(each for each, its in KINDS.items() if its == kind)
    return f"{base}{path}?{urlencode({'code': code})}"
