"""Pages and API of whole nights: the list of them, and the report of one."""

from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, StreamingResponse

from haunt.live.errors import CrewMistake
from haunt.site.lists import CSV, Accept, csv_of
from haunt.site.pages import Pages
from haunt.site.ports import NightBook
from haunt.study.report import NightReport

REPORT_COLUMNS = ("section", "name", "figure", "value")
BAR_WIDTH, BAR_HEIGHT, BARS_MIN = 10, 60, 12


class Bar(NamedTuple):
    """One quarter hour as a bar of the picture, in its units."""

    x: int
    moved: float
    fired: float
    clock: str
    motions: int


def routes(pages: Pages) -> APIRouter:
    router, book = APIRouter(), pages.services.nights

    @router.get("/nights", include_in_schema=False, response_class=HTMLResponse)
    def nights(request: Request) -> HTMLResponse:
        return pages.page(request, "nights.html", dates=book.dates())

    @router.get("/nights/{day}", include_in_schema=False, response_class=HTMLResponse)
    def night(request: Request, day: str) -> HTMLResponse:
        found = _report(book, day)
        zone = ZoneInfo(pages.presenter().night.time_zone)
        bars = _bars(found, zone)
        return pages.page(
            request,
            "report.html",
            report=found,
            bars=bars,
            width=BAR_WIDTH * max(BARS_MIN, len(bars)),
            clock=lambda at_ms: _clock(at_ms, zone),
        )

    @router.get("/api/v1/nights/{day}/report", tags=["nights"])
    def report(day: str, accept: Accept = "") -> Response:
        """Tell what a night was: JSON, or CSV by Accept: text/csv."""
        found = _report(book, day)
        if "text/csv" in accept:
            rows = (dict(zip(REPORT_COLUMNS, row, strict=True)) for row in found.as_rows())
            return StreamingResponse(csv_of(REPORT_COLUMNS, rows), media_type=CSV)
        return JSONResponse(found.as_json())

    return router


def _report(book: NightBook, day: str) -> NightReport:
    found = book.report(day)
    if isinstance(found, str):
        raise CrewMistake(found, about="date", missing=True)
    return found


def _bars(report: NightReport, zone: ZoneInfo) -> list[Bar]:
    """Draw from the first quarter hour with motions to the last."""
    busy = [n for n, each in enumerate(report.quarters) if each.motions]
    shown = report.quarters[busy[0] : busy[-1] + 1] if busy else ()
    most = max((each.motions for each in shown), default=0) or 1
    return [
        Bar(
            n * BAR_WIDTH,
            round(BAR_HEIGHT * each.motions / most, 1),
            round(BAR_HEIGHT * min(each.fired, each.motions) / most, 1),
            _clock(each.at_ms, zone),
            each.motions,
        )
        for n, each in enumerate(shown)
    ]


def _clock(at_ms: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(at_ms // 1000, UTC).astimezone(zone):%H:%M}"
