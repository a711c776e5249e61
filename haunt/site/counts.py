"""The page of counts: triggers by prop, hour and night, and the boards' counters beside ours."""

from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from haunt.site.answers import known
from haunt.site.clocks import Clock
from haunt.site.countports import Counts
from haunt.site.lists import Day, csv_file
from haunt.site.pages import Pages
from haunt.study.tallies import BoardTally, Cell

COLUMNS: Final = (
    "section", "night", "prop", "board", "hour", "fired", "refused", "lapsed",
    "counted", "journalled", "difference", "why",
)  # fmt: skip
BAR: Final = 100
HOUR_WIDTH: Final = 24
NIGHTS_SHOWN: Final = 20


class Line(NamedTuple):
    """A name, its counts, and their bars in hundredths of the longest; `href` may be empty."""

    name: str
    href: str
    cell: Cell
    fired: float
    all: float


class HourBar(NamedTuple):
    x: int
    all: float
    fired: float
    name: str


def routes(pages: Pages) -> APIRouter:
    router, book = APIRouter(include_in_schema=False), pages.services.counts

    @router.get("/counts", response_class=HTMLResponse)
    def counts(request: Request, night: Day = None) -> HTMLResponse:
        presenter, told = pages.presenter(), book.counts(night)
        if isinstance(told, str) and night is None:
            return pages.page(request, "nothing.html", title="Counts", said=told)
        clock, found = presenter.times, known(told, "night")
        names = {each.id: each.name for each in presenter.night.props.values()}
        return pages.page(
            request,
            "counts.html",
            counts=found,
            sentence=summary(found, names, clock),
            props=list(_props(found, names)),
            hours=[(clock.hour(hour), cell) for hour, cell in found.night.hours],
            bars=list(_bars(found, clock)),
            width=HOUR_WIDTH * max(1, len(found.night.hours)),
            matrix=list(_matrix(found, names)),
            nights=list(_nights(found)),
        )

    @router.get("/counts.csv")
    def counts_csv(night: Day = None) -> Response:
        found = known(book.counts(night), "night")
        return csv_file(COLUMNS, rows_of(found), f"counts-{found.night.day}.csv")

    return router


def rows_of(counts: Counts) -> Iterator[Mapping[str, object]]:
    """Yield one long table for a spreadsheet: what a row is stands in its first column."""
    day = counts.night.day
    for date, cell in counts.nights:
        yield {"section": "night", "night": date.isoformat(), **_figures(cell)}
    for hour, cell in counts.night.hours:
        yield {"section": "hour", "night": day, "hour": hour, **_figures(cell)}
    for prop, cell in counts.night.props:
        yield {"section": "prop", "night": day, "prop": prop, **_figures(cell)}
    for (prop, hour), cell in sorted(counts.night.by_prop_and_hour.items()):
        row = {"section": "prop and hour", "night": day, "prop": prop, "hour": hour}
        yield {**row, **_figures(cell)}
    for board in counts.boards:
        yield {
            "section": "board",
            "night": day,
            "board": board.board,
            "counted": board.counted,
            "journalled": board.journalled,
            "difference": board.difference if board.counted is not None else None,
            "why": board.why,
        }


def _figures(cell: Cell) -> dict[str, object]:
    return {"fired": cell.fired, "refused": cell.refused, "lapsed": cell.lapsed}


# --- words


def summary(counts: Counts, names: Mapping[str, str], clock: Clock) -> str:
    night = counts.night
    if not night.whole.all:
        return f"Nothing was decided in the night of {night.day}."
    said = f"Night of {night.day}: {night.whole.fired} started of {night.whole.all} triggers"
    busiest = night.busiest
    if busiest is not None and busiest[1].fired:
        said += f", most of them from {clock.hour(busiest[0])} on ({busiest[1].fired})"
    if night.props and night.props[0][1].fired:
        prop, cell = night.props[0]
        said += f"; {names.get(prop, prop)} most often ({cell.fired})"
    return f"{said}. {boards_summary(counts.boards)}".rstrip()


def boards_summary(boards: tuple[BoardTally, ...]) -> str:
    if not boards:
        return ""
    apart = [each.board for each in boards if each.why]
    if not apart:
        return "Boards and journal agree."
    return f"Board and journal differ at {', '.join(apart)}."


# --- lines and bars


def _props(counts: Counts, names: Mapping[str, str]) -> Iterator[Line]:
    most = max((cell.all for _, cell in counts.night.props), default=0) or 1
    for prop, cell in counts.night.props:
        href = f"/props/{prop}" if prop in names else ""
        yield _line(names.get(prop, prop), href, cell, most)


def _nights(counts: Counts) -> Iterator[Line]:
    shown = counts.nights[:NIGHTS_SHOWN]
    most = max((cell.all for _, cell in shown), default=0) or 1
    for date, cell in shown:
        day = date.isoformat()
        yield _line(day, "" if day == counts.night.day else f"/counts?night={day}", cell, most)


def _line(name: str, href: str, cell: Cell, most: int) -> Line:
    return Line(
        name, href, cell, round(BAR * cell.fired / most, 1), round(BAR * cell.all / most, 1)
    )


def _bars(counts: Counts, clock: Clock) -> Iterator[HourBar]:
    most = max((cell.all for _, cell in counts.night.hours), default=0) or 1
    for place, (hour, cell) in enumerate(counts.night.hours):
        yield HourBar(
            place * HOUR_WIDTH,
            round(60 * cell.all / most, 1),
            round(60 * cell.fired / most, 1),
            clock.hour(hour),
        )


def _matrix(counts: Counts, names: Mapping[str, str]) -> Iterator[tuple[str, list[int]]]:
    """Starts of each prop by hour."""
    for prop, _cell in counts.night.props:
        found = [
            counts.night.by_prop_and_hour.get((prop, hour), Cell()).fired
            for hour, _ in counts.night.hours
        ]
        yield names.get(prop, prop), found
