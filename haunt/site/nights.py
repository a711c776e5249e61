"""Pages and API of whole nights: the list of them, and the report of one."""

from collections.abc import Callable, Iterator
from typing import Annotated, Any, Final, NamedTuple

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, StreamingResponse

from haunt.site.answers import known
from haunt.site.before import checked
from haunt.site.lists import CSV, Accept, attached, csv_of
from haunt.site.nightwords import hour_rows, line_rows, passed_of, sensor_rows
from haunt.site.pages import Pages
from haunt.site.ports import NightBook
from haunt.study.nightline import against, line_of
from haunt.study.report import NightReport

REPORT_COLUMNS = ("section", "name", "figure", "value")
EARLIER = 3
SensorId = Annotated[str, Query(max_length=32)]
BAR_WIDTH, BAR_HEIGHT, BARS_MIN = 10, 60, 12
PAGE: Final[dict[str, Any]] = {"include_in_schema": False, "response_class": HTMLResponse}


class Bar(NamedTuple):
    """One quarter hour as a bar of the picture, in its units."""

    x: int
    moved: float
    fired: float
    clock: str
    motions: int


def routes(pages: Pages) -> APIRouter:
    router = APIRouter()
    _lists(router, pages)
    _report_pages(router, pages)
    _programs(router, pages)
    return router


def _lists(router: APIRouter, pages: Pages) -> None:
    book = pages.services.nights

    @router.get("/nights", **PAGE)
    def nights(request: Request) -> HTMLResponse:
        return pages.page(request, "nights.html", dates=book.dates(), today=_today(pages))

    @router.get("/nights-compared", **PAGE)
    def compared(request: Request) -> HTMLResponse:
        rows = line_rows(book.lines(), pages.presenter().times.minute)
        return pages.page(request, "nights_compared.html", rows=rows)


def _today(pages: Pages) -> str:
    return pages.now().date().isoformat()


def _report_pages(router: APIRouter, pages: Pages) -> None:
    book = pages.services.nights

    @router.get("/nights/{day}/visitors", **PAGE)
    def visitors(request: Request, day: str, sensor: SensorId = "") -> HTMLResponse:
        """Show what one sensor's counts mean, half hour by half hour."""
        found = _report(book, day)
        by_sensor = {each.sensor: each for each in found.crowd.estimates}
        shown = by_sensor.get(sensor, found.crowd.best)
        return pages.page(
            request,
            "visitors.html",
            report=found,
            passed=passed_of(found),
            sensors=sensor_rows(found),
            shown=shown,
            hours=hour_rows(shown, pages.presenter().times.minute) if shown is not None else [],
        )

    @router.get("/nights/{day}", **PAGE)
    def night(request: Request, day: str) -> HTMLResponse:
        found, earlier, checks = known(book.sheet(day, EARLIER), "date")
        presenter = pages.presenter()
        clock = presenter.times.minute
        bars = _bars(found, clock)
        return pages.page(
            request,
            "report.html",
            report=found,
            bars=bars,
            width=BAR_WIDTH * max(BARS_MIN, len(bars)),
            clock=clock,
            retold=presenter.times.retold,
            passed=passed_of(found),
            sensors=sensor_rows(found),
            against=against(line_of(found), earlier),
            earlier=line_rows(earlier, clock),
            checked=checked(day, checks, presenter),
        )


def _programs(router: APIRouter, pages: Pages) -> None:
    book = pages.services.nights

    @router.get("/nights/{day}/report.csv", include_in_schema=False)
    def report_csv(day: str) -> Response:
        """Let a link fetch what the API gives by `Accept: text/csv`."""
        found = _report(book, day)
        headers = attached(f"night-{found.date}.csv")
        return StreamingResponse(_csv(found), media_type=CSV, headers=headers)

    @router.get("/api/v1/nights/{day}/report", tags=["nights"])
    def report(day: str, accept: Accept = "") -> Response:
        """Tell what a night was: JSON, or CSV by Accept: text/csv."""
        found = _report(book, day)
        if "text/csv" in accept:
            return StreamingResponse(_csv(found), media_type=CSV)
        return JSONResponse(found.as_json())


def _csv(found: NightReport) -> Iterator[str]:
    return csv_of(
        REPORT_COLUMNS, (dict(zip(REPORT_COLUMNS, row, strict=True)) for row in found.as_rows())
    )


def _report(book: NightBook, day: str) -> NightReport:
    return known(book.report(day), "date")


def _bars(report: NightReport, clock: Callable[[int], str]) -> list[Bar]:
    """Draw from the first quarter hour with motions to the last."""
    busy = [n for n, each in enumerate(report.quarters) if each.motions]
    shown = report.quarters[busy[0] : busy[-1] + 1] if busy else ()
    most = max((each.motions for each in shown), default=0) or 1
    return [
        Bar(
            n * BAR_WIDTH,
            round(BAR_HEIGHT * each.motions / most, 1),
            round(BAR_HEIGHT * min(each.fired, each.motions) / most, 1),
            clock(each.at_ms),
            each.motions,
        )
        for n, each in enumerate(shown)
    ]
