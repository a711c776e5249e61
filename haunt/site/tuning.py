"""Pages that weigh settings: what others would have given, now or from the next phase, and back."""

from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import is_htmx
from haunt.site.asking import by, told
from haunt.site.changes import change
from haunt.site.frontwords import seconds, show_table
from haunt.site.laterwords import changed_words, pending_words, soon
from haunt.site.lists import ID_MAX, RowId
from haunt.site.pages import Pages
from haunt.site.ports import ShowRefused
from haunt.site.tunewords import weighed_of
from haunt.site.view_models import Act, Notice
from haunt.study.rerun import LIMITS

NIGHTS: Final = (1, 3, 10)

Seconds = Annotated[float, Form(ge=0, le=3600, allow_inf_nan=False)]
Try = Annotated[float | None, Query(ge=0, le=3600, allow_inf_nan=False)]
Nights = Annotated[int, Query(ge=1, le=10)]
Version = Annotated[int | None, Query(ge=1, le=ID_MAX)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _weighing(router, pages)
    _show(router, pages)
    _later(router, pages)
    return router


def _weighing(router: APIRouter, pages: Pages) -> None:
    book, later = pages.services.tunes, pages.services.later

    @router.get("/tune")
    def props(request: Request) -> HTMLResponse:
        presenter = pages.presenter()
        waiting = pending_words(later.pending(), presenter)
        found = presenter.night.props.values()
        return pages.page(request, "tune_all.html", props=found, waiting=waiting)

    @router.get("/tune/{prop}")
    def one(
        request: Request, prop: str, try_s: Try = None, nights: Nights = 1, weigh: bool = False
    ) -> HTMLResponse:
        """Show a prop's values so far; `weigh` begins at once (without scripts)."""
        view, presenter = pages.prop(prop), pages.presenter()
        waits = [each for each in later.pending() if each.prop == prop]
        weighed = weighed_of(book.weigh(prop, nights), view, try_s) if weigh or try_s else None
        return pages.page(
            request,
            "tune.html",
            stream=f"prop-{prop}",
            prop=view,
            tune=presenter.tune(view),
            waiting=pending_words(waits, presenter),
            history=[
                (pages.moment(was.at_ms), was.by, seconds(was.cooldown_ms))
                for was in book.history(prop)
            ],
            weighed=weighed,
            nights=nights,
            choices=NIGHTS,
            limits=LIMITS,
            next_phase=_next_words(pages),
        )

    @router.get("/tune/{prop}/weighed")
    def weighed(prop: str, try_s: Try = None, nights: Nights = 1) -> HTMLResponse:
        """Draw what is known by now; a part that is not done asks again by itself."""
        view = pages.prop(prop)
        found = weighed_of(book.weigh(prop, nights), view, try_s)
        template = pages.templates.get_template("_weighed.html")
        return HTMLResponse(
            template.render(
                prop=view,
                weighed=found,
                nights=nights,
                next_phase=_next_words(pages),
                limits=LIMITS,
            )
        )


def _next_words(pages: Pages) -> str:
    """Say when the next phase begins and what it is; empty where none is planned."""
    found = pages.services.later.next_phase()
    if found is None:
        return ""
    return f"{found[1]}, {soon(found[0], pages.presenter())}"


def _show(router: APIRouter, pages: Pages) -> None:
    book = pages.services.tunes

    @router.get("/tune-show")
    def show(request: Request, nights: Nights = 1, weigh: bool = False) -> HTMLResponse:
        found = show_table(book.weigh_show(nights)) if weigh else None
        return pages.page(
            request, "tune_show.html", found=found, nights=nights, choices=NIGHTS, limits=LIMITS
        )

    @router.get("/tune-show/weighed")
    def weighed(nights: Nights = 1) -> HTMLResponse:
        template = pages.templates.get_template("_weighed_show.html")
        found = show_table(book.weigh_show(nights))
        return HTMLResponse(template.render(found=found, nights=nights, limits=LIMITS))

    @router.get("/tune-nights")
    def nights_page(request: Request, was: Version = None) -> HTMLResponse:
        """Show what earlier nights had; `was` comes with the way back from a change."""
        presenter = pages.presenter()
        found = [(each, changed_words(each, presenter)) for each in book.earlier()]
        notice = _put_back(was) if was is not None else None
        return pages.page(request, "tune_nights.html", nights=found, notice=notice)

    @router.post("/tune-nights/{version}")
    def put_back(request: Request, version: RowId) -> Response:
        """Take the settings of a kept version of the show; the rest of the file stays."""
        keeper = pages.services.keeper
        then = book.settings_of(version)
        if then is None:
            raise CrewMistake(f"There is no version {version} of the show.", missing=True)
        before = keeper.kept().version
        told(request, about=f"version {version}")
        if not then.changes:
            return RedirectResponse("/tune-nights", 303)
        try:
            change(keeper, [value for value, _ in then.changes], by(request))
        except ShowRefused as refused:
            raise CrewMistake("; ".join(str(each) for each in refused.faults)) from refused
        back = f"/tune-nights?{urlencode({'was': before})}"
        if is_htmx(request):  # the page that the order came from shows old settings
            return Response(status_code=204, headers={"hx-redirect": back})
        return RedirectResponse(back, 303)


def _put_back(was: int) -> Notice:
    undo = Act(f"/tune-nights/{was}", "Undo")
    return Notice("The settings are put back.", undo=undo, undo_name="was", undo_value=str(was))


def _later(router: APIRouter, pages: Pages) -> None:
    later = pages.services.later

    @router.post("/tune/{prop}/later")
    async def put_off(request: Request, prop: str, cooldown_s: Seconds) -> Response:
        """Keep a change for the next phase."""
        pages.prop(prop)
        await run_in_threadpool(later.add, prop, round(cooldown_s * 1000), by(request))
        told(request, about=f"{prop} {cooldown_s:g} s")
        return RedirectResponse(f"/tune/{prop}", 303)

    @router.post("/tune/{prop}/later/cancel")
    async def cancel(request: Request, prop: str) -> Response:
        """Also of a prop that is gone: its change could never be made."""
        if not await run_in_threadpool(later.cancel, prop):
            raise CrewMistake(f"Nothing was put off for {prop!r}.", missing=True)
        told(request, about=prop)
        return RedirectResponse("/tune", 303)
