"""One's own account: where one is signed in, the way out, one's password."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.site.asking import Secret, forget, inside, told_refused
from haunt.site.entrance import Entrance, TooSoon
from haunt.site.lists import RowId
from haunt.site.pages import Pages
from haunt.site.passwords import LENGTH_MIN
from haunt.site.rights import CAN
from haunt.site.view_models import Notice
from haunt.store.roster import PeopleRefused


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _page(router, pages)
    _sessions(router, pages.services.entrance)
    return router


def _page(router: APIRouter, pages: Pages) -> None:
    entrance = pages.services.entrance

    @router.get("/account")
    async def account(request: Request) -> HTMLResponse:
        return _drawn(pages, request)

    @router.post("/account/password")
    async def password(request: Request, new: Secret, old: Secret = "") -> Response:
        try:
            await entrance.change_password(inside(request), old, new)
        except PeopleRefused as refused:
            told_refused(request, refused.what)
            status = 429 if isinstance(refused, TooSoon) else 422
            return _drawn(pages, request, status, Notice(refused.what, "now"))
        said = "Your password is set; other devices are signed out."
        return _drawn(pages, request, notice=Notice(said))


def _drawn(
    pages: Pages, request: Request, status: int = 200, notice: Notice | None = None
) -> HTMLResponse:
    caller, doors = inside(request), pages.services.entrance.doors
    person = doors.person(caller.person)
    return pages.page(
        request,
        "account.html",
        status,
        can=CAN[caller.role],
        has_password=person is not None and bool(person.password),
        sessions=doors.sessions_of(caller.person),
        moment=pages.moment,
        length_min=LENGTH_MIN,
        notice=notice,
    )


def _sessions(router: APIRouter, entrance: Entrance) -> None:
    @router.post("/account/sessions/{session}/end")
    async def end(request: Request, session: RowId) -> Response:
        await entrance.end_own_session(inside(request), session)
        return RedirectResponse("/account", 303)

    @router.post("/sign-out")
    async def sign_out(request: Request) -> Response:
        await entrance.sign_out(inside(request))
        return _out(request)

    @router.post("/sign-out-everywhere")
    async def sign_out_everywhere(request: Request) -> Response:
        await entrance.sign_out_everywhere(inside(request))
        return _out(request)


def _out(request: Request) -> Response:
    answer = RedirectResponse("/sign-in", 303)
    forget(request, answer)
    # What a browser kept of our pages goes too; on plain http it takes no notice of this.
    answer.headers["clear-site-data"] = '"cache"'
    return answer
