"""Pages that tune the whole show: its front, settings by hand, and those of earlier nights."""

from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import is_htmx
from haunt.site.asking import by, told
from haunt.site.changes import change
from haunt.site.frontwords import show_table
from haunt.site.laterwords import changed_words, offers, pending_words, told_words, value_words
from haunt.site.lists import ID_MAX, RowId
from haunt.site.pages import Pages
from haunt.site.ports import ShowRefused
from haunt.site.showvalues import Asked, knobs_of, values_of
from haunt.site.view_models import Act, Notice
from haunt.site.workports import SHOW_KEY, When
from haunt.study.reading import MISREAD
from haunt.study.rerun import LIMITS
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

NIGHTS: Final = (1, 3, 10)
NOW: Final = "now"

Nights = Annotated[int, Query(ge=1, le=10)]
Version = Annotated[int | None, Query(ge=1, le=ID_MAX)]
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

    def drawn(nights: int, row: int | None) -> dict[str, object]:
        presenter = pages.presenter()
        return {
            "found": show_table(book.weigh_show(nights), row),
            "nights": nights,
            "limits": LIMITS,
            "misread": MISREAD,
            "offers": offers(later, presenter),
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
        plain = {"found": None, "nights": nights, "offers": offers(later, presenter)}
        return pages.page(
            request,
            "tune_show.html",
            choices=NIGHTS,
            waiting=pending_words(later.pending(), presenter),
            knobs=knobs_of(_file(pages)),
            lately=[
                (pages.moment(each.at_ms), each.by, each.before, told_words(each, presenter))
                for each in book.lately()
            ],
            notice=_changed(was) if was is not None else None,
            **(drawn(nights, row) if weigh or row is not None else plain),
        )

    @router.get("/tune-show/weighed")
    def weighed(nights: Nights = 1, row: Row = None) -> HTMLResponse:
        template = pages.templates.get_template("_weighed_show.html")
        return HTMLResponse(template.render(drawn(nights, row)))


def _file(pages: Pages) -> ShowFile:
    return read_show(pages.services.keeper.kept().text, "show").show


def _changed(was: int) -> Notice:
    undo = Act(f"/tune-nights/{was}", "Undo")
    return Notice("The show is changed.", undo=undo, undo_name="was", undo_value=str(was))


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
        try:
            change(services.keeper, values, by(request))
        except ShowRefused as refused:
            raise CrewMistake("; ".join(str(each) for each in refused.faults)) from refused
        return RedirectResponse(f"/tune-show?{urlencode({'was': kept.version})}", 303)


def _earlier(router: APIRouter, pages: Pages) -> None:
    book = pages.services.tunes

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
