"""Pages that tune the whole show: its front, settings by hand, and those of earlier nights."""

from collections.abc import Sequence
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import is_htmx
from haunt.site.asking import by, told
from haunt.site.changes import change
from haunt.site.frontwords import show_table
from haunt.site.laterwords import changed_words, offers, pending_words, told_words, value_words
from haunt.site.lists import RowId, Version
from haunt.site.pages import Pages
from haunt.site.showvalues import Asked, knobs_of, values_of
from haunt.site.view_models import Act, Notice
from haunt.site.workports import SHOW_KEY, Value, When
from haunt.study.reading import MISREAD
from haunt.study.rerun import LIMITS
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

NIGHTS: Final = (1, 3, 10)
NOW: Final = "now"

Nights = Annotated[int, Query(ge=1, le=10)]
Row = Annotated[int | None, Query(ge=0, le=10_000)]
Seconds = Annotated[float | None, Form(ge=0, le=3600, allow_inf_nan=False)]
Times = Annotated[float | None, Form(ge=0.1, le=10, allow_inf_nan=False)]
Factors = Annotated[list[float] | None, Form(max_length=200)]
Whens = Annotated[str, Form(pattern="^(now|phase|night)$")]


def asked_for(
    gap_s: Seconds = None,
    patience_s: Seconds = None,
    scale: Times = None,
    factor: Times = None,
    factors: Factors = None,
) -> Asked:
    """Read what a form sends; what it leaves out stays as it is."""
    return Asked(gap_s, patience_s, scale, factor, tuple(factors or ()))


AskedFor = Annotated[Asked, Depends(asked_for)]


def add_show(router: APIRouter, pages: Pages) -> None:
    _front(router, pages)
    _apply(router, pages)
    _earlier(router, pages)


def _front(router: APIRouter, pages: Pages) -> None:
    book, later = pages.services.tunes, pages.services.later

    def drawn(nights: int, row: int | None, *, weigh: bool = True) -> dict[str, object]:
        return {
            "found": show_table(book.weigh_show(nights), row) if weigh else None,
            "nights": nights,
            "limits": LIMITS,
            "misread": MISREAD,
            "offers": offers(later, pages.presenter()),
        }

    @router.get("/tune-show")
    def show(
        request: Request,
        nights: Nights = 1,
        weigh: bool = False,
        row: Row = None,
        was: Version = None,
    ) -> HTMLResponse:
        """Show the front; `row` is the setting to be taken, `was` the way back from a change."""
        presenter = pages.presenter()
        return pages.page(
            request,
            "tune_show.html",
            200,
            "bar",
            choices=NIGHTS,
            waiting=pending_words(later.pending(), presenter),
            knobs=knobs_of(_file(pages)),
            lately=[
                (pages.moment(each.at_ms), each.by, each.before, told_words(each, presenter))
                for each in book.lately()
            ],
            notice=_way_back("The show is changed.", was),
            **drawn(nights, row, weigh=weigh or row is not None),
        )

    @router.get("/tune-show/weighed")
    def weighed(nights: Nights = 1, row: Row = None) -> HTMLResponse:
        return pages.part("_weighed_show.html", **drawn(nights, row))


def _file(pages: Pages) -> ShowFile:
    return read_show(pages.services.keeper.kept().text, "show").show


def _way_back(said: str, was: int | None) -> Notice | None:
    """Say what was just done, and offer the version `was` before it."""
    if was is None:
        return None
    undo = Act(f"/tune-nights/{was}", "Undo")
    return Notice(said, undo=undo, undo_name="was", undo_value=str(was))


def _take(pages: Pages, values: Sequence[Value], by: str) -> None:
    """Raises CrewMistake where the show would have faults."""
    try:
        change(pages.services.keeper, values, by)
    except ShowFileRefused as refused:
        raise CrewMistake(refused.said) from refused


def _apply(router: APIRouter, pages: Pages) -> None:
    services = pages.services

    @router.post("/tune-show")
    def apply(request: Request, asked: AskedFor, when: Whens = NOW) -> Response:
        """Take settings of the whole show now, as one version, or keep them for later."""
        kept = services.keeper.kept()
        values = values_of(read_show(kept.text, "show").show, asked)
        words = "; ".join(value_words(values, pages.presenter()))
        told(request, about=words[:200])
        if when != NOW:
            services.later.add(SHOW_KEY, values, by(request), When(when))
            return RedirectResponse("/tune-show", 303)
        _take(pages, values, by(request))
        return RedirectResponse(f"/tune-show?was={kept.version}", 303)


def _earlier(router: APIRouter, pages: Pages) -> None:
    book = pages.services.tunes

    @router.get("/tune-nights")
    def nights_page(request: Request, was: Version = None) -> HTMLResponse:
        """Show what earlier nights had; `was` comes with the way back from a change."""
        presenter = pages.presenter()
        found = [(each, changed_words(each, presenter)) for each in book.earlier()]
        notice = _way_back("The settings are put back.", was)
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
        _take(pages, [value for value, _ in then.changes], by(request))
        back = f"/tune-nights?was={before}"
        if is_htmx(request):  # the page that the order came from shows old settings
            return Response(status_code=204, headers={"hx-redirect": back})
        return RedirectResponse(back, 303)
