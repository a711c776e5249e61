"""Pages that weigh a cooldown: what others would have given on the last night, and a way back."""

from typing import NamedTuple

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from haunt.site.pages import Pages
from haunt.site.ports import TuneBook
from haunt.study.advice import Advice, Tried


class Row(NamedTuple):
    """One cooldown as the page shows it. `pack` is points of charge a night against now."""

    seconds: str
    answered: int
    fired: int
    pack: str
    loud: str
    is_now: bool
    is_advised: bool


def routes(pages: Pages) -> APIRouter:
    book = pages.services.tunes
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/tune")
    async def props(request: Request) -> HTMLResponse:
        found = pages.presenter().night.props.values()
        return pages.page(request, "tune_all.html", props=found)

    @router.get("/tune/{prop}")
    def one(request: Request, prop: str, weigh: bool = False) -> HTMLResponse:
        """Show a prop's values so far; `weigh` runs the night again (without scripts)."""
        view, presenter = pages.prop(prop), pages.presenter()
        return pages.page(
            request,
            "tune.html",
            stream=f"prop-{prop}",
            prop=view,
            tune=presenter.tune(view),
            history=[
                (presenter.clock(w.at_ms), w.by, _seconds(w.cooldown_ms))
                for w in book.history(prop)
            ],
            weighed=_weighed(book, prop) if weigh else None,
        )

    @router.get("/tune/{prop}/weighed")
    def weighed(prop: str) -> HTMLResponse:
        view = pages.prop(prop)
        template = pages.templates.get_template("_weighed.html")
        return HTMLResponse(template.render(prop=view, weighed=_weighed(book, prop)))

    return router


class Weighed(NamedTuple):
    said: str
    rows: list[Row]
    visits: int


def _weighed(book: TuneBook, prop: str) -> Weighed:
    found = book.weigh(prop)
    if isinstance(found, str):
        return Weighed(found, [], 0)
    return Weighed(_sentence(found), [_row(each, found) for each in found.tried], found.visits)


def _sentence(advice: Advice) -> str:
    if advice.cooldown_ms is None:
        return f"Change nothing: {advice.why}."
    return (
        f"{_seconds(advice.cooldown_ms)} s would have answered {advice.answered + advice.gain} "
        f"instead of {advice.answered} of {advice.visits} groups ({advice.low:+} to "
        f"{advice.high:+}), for {advice.used_more_mah:+.0f} mAh a night."
    )


def _row(tried: Tried, advice: Advice) -> Row:
    now = next(each for each in advice.tried if each.cooldown_ms == advice.now_ms)
    return Row(
        _seconds(tried.cooldown_ms),
        tried.answered,
        tried.fired,
        f"{tried.used_mah - now.used_mah:+.0f} mAh",
        f"{tried.loud_ms / 60_000:.1f} min",
        tried.cooldown_ms == advice.now_ms,
        tried.cooldown_ms == advice.cooldown_ms,
    )


def _seconds(ms: int) -> str:
    return f"{ms / 1000:g}"
