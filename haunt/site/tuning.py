"""Pages that weigh settings: what others would have given, now or from the next phase, and back."""

from typing import Annotated

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.live.views import PropView
from haunt.site.actions import back_of
from haunt.site.asking import Seconds, by, told
from haunt.site.clocks import seconds
from haunt.site.laterwords import offers, pending_words
from haunt.site.pages import Pages
from haunt.site.showtuning import NIGHTS, Nights, add_show
from haunt.site.tunewords import weighed_of
from haunt.site.workports import Pending, Value, When, prop_key
from haunt.study.reading import MISREAD
from haunt.study.rerun import LIMITS

Try = Annotated[float | None, Query(ge=0, le=3600, allow_inf_nan=False)]
Whens = Annotated[When, Form()]
Key = Annotated[str, Form(max_length=64)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _weighing(router, pages)
    add_show(router, pages)
    _later(router, pages)
    return router


def _weighing(router: APIRouter, pages: Pages) -> None:
    later = pages.services.later

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
        waits = [each for each in later.pending() if _is_about(each, prop)]
        return pages.page(
            request,
            "tune.html",
            200,
            f"prop-{prop}",
            tune=presenter.tune(view),
            waiting=pending_words(waits, presenter),
            history=[
                (pages.moment(was.at_ms), was.by, seconds(was.cooldown_ms))
                for was in pages.services.tunes.history(prop)
            ],
            choices=NIGHTS,
            **_weighed(pages, view, try_s, nights, weigh=weigh or bool(try_s)),
        )

    @router.get("/tune/{prop}/weighed")
    def weighed(prop: str, try_s: Try = None, nights: Nights = 1) -> HTMLResponse:
        """Draw what is known by now; a part that is not done asks again by itself."""
        return pages.part("_weighed.html", **_weighed(pages, pages.prop(prop), try_s, nights))


def _weighed(
    pages: Pages, prop: PropView, try_s: float | None, nights: int, *, weigh: bool = True
) -> dict[str, object]:
    """What the front of a prop is drawn with, on its page and by itself."""
    book, later = pages.services.tunes, pages.services.later
    return {
        "prop": prop,
        "weighed": weighed_of(book.weigh(prop.id, nights), prop, try_s) if weigh else None,
        "nights": nights,
        "offers": offers(later, pages.presenter()),
        "limits": LIMITS,
        "misread": MISREAD,
    }


def _is_about(waiting: Pending, prop: str) -> bool:
    return any(each.table == "prop" and each.name == prop for each in waiting.values)


def _later(router: APIRouter, pages: Pages) -> None:
    later = pages.services.later

    @router.post("/tune/{prop}/later")
    async def put_off(
        request: Request, prop: str, cooldown_s: Seconds, when: Whens = When.PHASE
    ) -> Response:
        """Keep a change for the next phase or night."""
        pages.prop(prop)
        value = Value("prop", prop, "cooldown_s", cooldown_s)
        await run_in_threadpool(later.add, prop_key(prop), [value], by(request), when)
        told(request, about=f"{prop} {cooldown_s:g} s")
        return RedirectResponse(f"/tune/{prop}", 303)

    @router.post("/tune-later/cancel")
    async def cancel(request: Request, key: Key) -> Response:
        """Also of a prop that is gone: its change could never be made."""
        if not await run_in_threadpool(later.cancel, key):
            raise CrewMistake("That does not wait any more.", missing=True)
        told(request, about=key)
        return RedirectResponse(back_of(request), 303)
