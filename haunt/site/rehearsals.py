"""The page that rehearses a night many times over, in a child process, one rehearsal at a time."""

import json
from typing import Annotated, Any, Final, NamedTuple
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.asking import told
from haunt.site.clocks import Clock
from haunt.site.pages import Pages
from haunt.site.workports import Work, WorkState
from haunt.site.workwords import progress_of
from haunt.study.traffic import PROFILES

NIGHTS: Final = (10, 20, 50)
OWN: Final = "own"

Count = Annotated[int, Form(ge=1, le=200)]
Groups = Annotated[int | None, Form(ge=1, le=5000)]
Word = Annotated[str, Form(max_length=16)]
Plain = dict[str, Any]


class PropRow(NamedTuple):
    prop: str
    name: str
    answered: str
    starts: str
    wait: str
    why: str
    note: str


class PackRow(NamedTuple):
    board: str
    left: str
    flat: str


class Outlook(NamedTuple):
    """Many nights as the page shows them: the middle, and what nine of ten stay within."""

    is_running: bool
    percent: int
    said: str
    nights: int = 0
    span: str = ""
    profile: str = ""
    source: str = ""
    groups: str = ""
    people: str = ""
    answered: str = ""
    wait: str = ""
    clashes: str = ""
    loud: str = ""
    props: tuple[PropRow, ...] = ()
    packs: tuple[PackRow, ...] = ()
    limits: tuple[str, ...] = ()


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    book = pages.services.rehearsals

    @router.get("/rehearse")
    async def page(request: Request) -> HTMLResponse:
        return pages.page(
            request,
            "rehearse.html",
            found=outlook_of(book.state()),
            profiles=[*PROFILES.values()],
            own=OWN,
            choices=NIGHTS,
        )

    @router.get("/rehearse/outlook")
    async def part() -> HTMLResponse:
        return pages.part("_outlook.html", found=outlook_of(book.state()))

    @router.post("/rehearse")
    async def begin(
        request: Request,
        nights: Count = 20,
        groups: Groups = None,
        profile: Word = "evening",
        faults: Annotated[bool, Form()] = False,
    ) -> Response:
        if profile != OWN and profile not in PROFILES:
            raise CrewMistake(f"There is no profile {profile!r}.")
        work = await run_in_threadpool(book.begin, nights, profile, groups, faults=faults)
        if work.state is WorkState.BUSY:
            raise CrewMistake("Something else is being worked out. Wait for it, or cancel it.")
        told(request, about=f"{nights} nights")
        return RedirectResponse("/rehearse", 303)

    @router.post("/rehearse/cancel")
    async def cancel() -> Response:
        await run_in_threadpool(book.cancel)
        return RedirectResponse("/rehearse", 303)

    return router


def outlook_of(work: Work | None) -> Outlook | None:
    if work is None:
        return None
    if work.state is not WorkState.DONE:
        return Outlook(*progress_of(work, "nights"))
    found: Plain = json.loads(work.output)
    zone = ZoneInfo(found["time_zone"])
    return Outlook(
        is_running=False,
        percent=100,
        said="",
        nights=found["nights"],
        span=f"{_clock(found['opens_ms'], zone)} to {_clock(found['closes_ms'], zone)}",
        profile=found["profile"],
        source=found["source"],
        groups=_of(found["groups"]),
        people=_of(found["people"]),
        answered=_percent(found["share"]),
        wait=f"{_of(found['wait_s'], 1)} s",
        clashes=_of(found["clashes"]),
        loud=f"{_of(found['loud_min'])} min",
        props=tuple(_prop(each, found) for each in found["props"]),
        packs=tuple(_pack(each, zone) for each in found["packs"]),
        limits=tuple(found["limits"]),
    )


def _prop(each: Plain, found: Plain) -> PropRow:
    notes = (("answers fewest", found["starved"]), ("longest wait", found["slowest"]))
    return PropRow(
        each["prop"],
        each["name"],
        _percent(each["share"]),
        _of(each["starts"]),
        f"{_of(each['wait_s'], 1)} s",
        each["why"],
        ", ".join(word for word, prop in notes if prop == each["prop"]),
    )


def _pack(each: Plain, zone: ZoneInfo) -> PackRow:
    flat = ""
    if each["flat_share"]:
        at = _clock(each["flat_at_ms"], zone)
        flat = f"flat on {each['flat_share']:.0%} of the nights, about {at}"
    return PackRow(each["board"], f"{_of(each['left_percent'])} %", flat)


def _of(spread: Plain, digits: int = 0) -> str:
    low, high = spread["low"], spread["high"]
    return f"{spread['median']:.{digits}f} ({low:.{digits}f} to {high:.{digits}f})"


def _percent(spread: Plain) -> str:
    return f"{spread['median']:.0%} ({spread['low']:.0%} to {spread['high']:.0%})"


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    return Clock(zone).minute(at_ms)
