"""The page of the site map: a look at the show on the ground, and things put elsewhere."""

import re
from collections.abc import Mapping
from typing import Annotated, Final, NamedTuple, TypeAlias

from fastapi import APIRouter, Form, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import is_htmx
from haunt.site.asking import by, told, told_refused
from haunt.site.lists import ID_MAX, Version
from haunt.site.map import words
from haunt.site.map.drawing import Drawing, drawing_of
from haunt.site.map.moving import Move, Mover
from haunt.site.newest import Newest
from haunt.site.pages import Pages
from haunt.site.plan.desk import FIELDS_MAX
from haunt.site.ports import SunsetOf
from haunt.study.loudest import ASSUMED, GROUND
from haunt.study.places import Kind, Spot
from haunt.study.siteplan import SitePlan, plan_of
from haunt.study.trail import HOW
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

FIELD: Final = re.compile(
    r"(x|y|was)\.(prop|sensor|board|scare|boundary|hazard)\.([a-z0-9-]{1,32})"
)
FAR_M: Final = 10_000.0
REFUSED: Final = 422


class Sheet(NamedTuple):
    """One version of the show, worked out and drawn."""

    file: ShowFile
    plan: SitePlan
    drawing: Drawing


Sheets: TypeAlias = Newest[Sheet]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    sheets, mover = sheets_of(pages.services.sunset_of), Mover(pages.services.keeper)

    @router.get("/map")
    def site_map(request: Request, moved: Version = None) -> HTMLResponse:
        """Show it; `moved` comes with the way back from a move."""
        undo = moved if moved is not None and mover.can_undo(moved) else None
        return _page(pages, request, sheets, undo=undo)

    @router.post("/map")
    async def move(request: Request) -> Response:
        """Take places of the form, or of one thing that was dragged; empty fields are no place."""
        form = await request.form(max_fields=FIELDS_MAX)
        typed = touched({k: v.strip() for k, v in form.items() if isinstance(v, str)})
        try:
            done = await run_in_threadpool(mover.move, moves_of(typed), by(request))
        except CrewMistake as mistake:
            if is_htmx(request):
                raise
            told_refused(request, mistake.what)
            return await run_in_threadpool(
                _page, pages, request, sheets, said=mistake.what, typed=typed, status=REFUSED
            )
        told(request, about=f"{done.things} moved, version {done.version}")
        return RedirectResponse(f"/map?moved={done.version}" if done.things else "/map", 303)

    @router.post("/map/undo")
    def undo(request: Request, version: Annotated[int, Form(ge=1, le=ID_MAX)]) -> Response:
        done = mover.undo(version, by(request))
        told(request, about=f"version {version} taken back, now {done.version}")
        return RedirectResponse("/map", 303)

    return router


def sheets_of(sunset_of: SunsetOf) -> Sheets:
    """Return what draws a text. It raises ShowFileRefused."""

    def sheet(text: str) -> Sheet:
        file = read_show(text, "show").show
        plan = plan_of(file, sunset_of(file))
        return Sheet(file, plan, drawing_of(plan))

    return Newest(sheet)


def _page(  # noqa: PLR0913 - what a page may be told
    pages: Pages,
    request: Request,
    sheets: Sheets,
    *,
    undo: int | None = None,
    said: str = "",
    typed: Mapping[str, str] | None = None,
    status: int = 200,
) -> HTMLResponse:
    kept = pages.services.keeper.kept()
    try:
        sheet = sheets.of(kept.text)
    except ShowFileRefused as refused:
        faults = [str(each) for each in refused.faults]
        return pages.page(request, "map.html", status, refused=faults)
    plan = sheet.plan
    return pages.page(
        request,
        "map.html",
        status,
        refused=[],
        drawn=sheet.drawing,
        map_version=kept.version,
        undo=undo,
        said=said,
        edges=words.edge_rows(plan),
        along=words.path_words(plan, sheet.file.info.walking_speed_m_s),
        missing=words.missing_words(plan),
        walks=words.walk_rows(plan),
        neighbours=words.pair_words(plan, voices=False),
        voices=words.pair_words(plan, voices=True),
        stagger=sheet.file.stagger,
        chart=words.chart_of(plan),
        inputs=list(words.inputs_of(plan, dict(typed or {}))),
        how=[HOW, ASSUMED, GROUND],
    )


def touched(form: Mapping[str, str]) -> dict[str, str]:
    """The fields of things whose place is not as the form was drawn; all where it does not say."""
    found: dict[str, str] = {}
    for name, value in form.items():
        match = FIELD.fullmatch(name)
        if match is not None:
            thing = f"{match[2]}.{match[3]}"
            said = f"{form.get(f'x.{thing}', '')},{form.get(f'y.{thing}', '')}"
            if form.get(f"was.{thing}") != said:
                found[name] = value
    return found


def moves_of(typed: Mapping[str, str]) -> list[Move]:
    """What touched fields say. Raises CrewMistake."""
    found: dict[tuple[Kind, str], dict[str, str]] = {}
    for name, value in typed.items():
        match = FIELD.fullmatch(name)
        if match is not None:
            field, kind, key = match.groups()
            found.setdefault((Kind(kind), key), {})[field] = value
    return [
        Move(kind, key, _spot(kind, key, said), said.get("was"))
        for (kind, key), said in found.items()
    ]


def _spot(kind: Kind, key: str, said: Mapping[str, str]) -> Spot | None:
    x, y = said.get("x", ""), said.get("y", "")
    if not x and not y:
        return None
    if not x or not y:
        raise CrewMistake(f"{kind} {key} needs both x and y, or neither.", about=key)
    return _metres(kind, key, x), _metres(kind, key, y)


def _metres(kind: Kind, key: str, text: str) -> float:
    """A comma does for a point."""
    try:
        found = float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    except ValueError:
        found = FAR_M + 1
    if not abs(found) <= FAR_M:  # also false of nan
        raise CrewMistake(
            f"{kind} {key}: {text[:20]!r}; allowed: metres from -10,000 to 10,000.", about=key
        )
    return found
