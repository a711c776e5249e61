"""One's own account: where one is signed in, the way out, one's password."""

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.site.asking import forget, inside, told
from haunt.site.entrance import TooSoon
from haunt.site.lists import RowId
from haunt.site.pages import Pages
from haunt.site.passwords import LENGTH_MIN
from haunt.site.rights import CAN
from haunt.site.view_models import Notice
from haunt.store.roster import PeopleRefused

Secret = Annotated[str, Form(max_length=1024)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    entrance = pages.services.entrance

    def page(request: Request, status: int = 200, notice: Notice | None = None) -> HTMLResponse:
        caller = inside(request)
        person = entrance.doors.person(caller.person)
        return pages.page(
            request,
            "account.html",
            status,
            can=CAN[caller.role],
            has_password=person is not None and bool(person.password),
            sessions=entrance.doors.sessions_of(caller.person),
            moment=pages.moment,
            length_min=LENGTH_MIN,
            notice=notice,
        )

    @router.get("/account")
    async def account(request: Request) -> HTMLResponse:
        return page(request)

    @router.post("/account/password")
    async def password(
        request: Request,
        new: Secret,
        old: Secret = "",
    ) -> Response:
        try:
            await entrance.change_password(inside(request), old, new)
        except PeopleRefused as refused:
            told(request, f"refused: {refused.what}")
            status = 429 if isinstance(refused, TooSoon) else 422
            return page(request, status, Notice(refused.what, "now"))
        return page(request, notice=Notice("Your password is set; other devices are signed out."))

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

    return router


def _out(request: Request) -> Response:
    answer = RedirectResponse("/sign-in", 303)
    forget(request, answer)
    # What a browser kept of our pages goes too; on plain http it takes no notice of this.
    answer.headers["clear-site-data"] = '"cache"'
    return answer
