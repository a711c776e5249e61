"""The page before opening: a checklist that fills itself, and lines that a person ticks by name."""

from dataclasses import dataclass
from threading import Lock
from typing import Annotated, Final, NamedTuple

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from haunt.core.calendar import Calendar, Sunset
from haunt.live.checklist import Evidence, FindingCounts, Line, State, StopTried, lines
from haunt.live.errors import CrewMistake
from haunt.live.opening import TICK, TICKS, Tick, Tonight, tonight
from haunt.live.prepare import prepare
from haunt.site.actions import is_htmx
from haunt.site.asking import by
from haunt.site.findings import Books
from haunt.site.newest import Newest
from haunt.site.pages import Pages
from haunt.site.ports import SunsetOf
from haunt.site.presenter import Presenter
from haunt.store.checks import Check
from haunt.study.findings.book import Book
from haunt.study.findings.kinds import Severity
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show
from haunt.workshop.cautions import DECIDES

SIGNED: Final = "signed"
NOTE_MAX: Final = 300


class Mark(NamedTuple):
    """How a line's state looks and is called."""

    word: str
    shape: str
    level: str


MARKS: Final = {
    State.GOOD: Mark("Good", "disc", "k-ready"),
    State.WAIT: Mark("Not known yet", "hollow", "k-closed"),
    State.LOOK: Mark("Look", "warn", "k-out-of-service"),
    State.MEND: Mark("Mend", "cross", "k-lost"),
}


ORDER: Final = (State.MEND, State.LOOK, State.WAIT, State.GOOD)


@dataclass(frozen=True, slots=True)
class Row:
    line: Line
    mark: Mark


@dataclass(frozen=True, slots=True)
class Ticked:
    """A line of a person's, and who ticked it when; `who` is empty while nobody has."""

    tick: Tick
    who: str
    clock: str


@dataclass(frozen=True, slots=True)
class Checked:
    """A whole day's checks as a page shows them. `signed` and `note` are empty until signed off."""

    day: str
    rows: tuple[Row, ...]
    ticks: tuple[Ticked, ...]
    signed: str
    note: str

    @property
    def open_ticks(self) -> int:
        return sum(not each.who for each in self.ticks)

    @property
    def groups(self) -> dict[str, list[Ticked]]:
        found: dict[str, list[Ticked]] = {}
        for each in self.ticks:
            found.setdefault(each.tick.of, []).append(each)
        return found


class Plans:
    """The evening by the calendar of the newest show file."""

    def __init__(self, sunset_of: SunsetOf) -> None:
        self._sunset_of, self._one = sunset_of, Lock()
        self._calendars = Newest(self._read)

    def of(self, text: str, wall_ms: int) -> Tonight:
        """Raises CrewMistake where the text is no show any more."""
        found = self._calendars.of(text)
        with self._one:  # a calendar remembers its last answer
            return tonight(*found, wall_ms)

    def _read(self, text: str) -> tuple[Calendar, Sunset]:
        try:
            file = read_show(text, "show file").show
        except ShowFileRefused as refused:
            what = "the show file cannot be read by this version: mend it first"
            raise CrewMistake(what) from refused
        sunset = self._sunset_of(file)
        return Calendar(prepare(file).show.calendar, file.info.time_zone, sunset), sunset


class Before:
    def __init__(self, pages: Pages, books: Books) -> None:
        self._services = pages.services
        self._plans, self._books = Plans(pages.services.sunset_of), books

    def look(self, presenter: Presenter) -> Checked:
        """Three reads of the journal, no more."""
        services, text = self._services, self._services.keeper.toml()
        plan = self._plans.of(text, services.wall_ms())
        book = services.checks
        tried = book.stop_tried(plan.begins_ms)
        known = Evidence(
            book.seen_since(plan.dusk_ms),
            None if tried is None else StopTried(tried[0], tried[1], tried[2]),
            self._tally(text),
        )
        found = lines(presenter.night, plan, known, lambda ms: presenter.clock(ms, seconds=False))
        worst = sorted(found, key=lambda each: ORDER.index(each.state))
        rows = tuple(Row(each, MARKS[each.state]) for each in worst)
        return checked(plan.day, book.of(plan.day), presenter, rows)

    def day(self) -> str:
        services = self._services
        return self._plans.of(services.keeper.toml(), services.wall_ms()).day

    def _tally(self, text: str) -> FindingCounts:
        book = self._books.of(text)
        if not isinstance(book, Book):
            return FindingCounts(refused=True)
        must, should = len(book.of(Severity.MUST)), len(book.of(Severity.SHOULD))
        return FindingCounts(must, should, len(book.of(Severity.NOTE)))


def checked(
    day: str, known: dict[str, Check], presenter: Presenter, rows: tuple[Row, ...] = ()
) -> Checked:
    """Also for the page of a night that is over, which has no rows."""

    def ticked(tick: Tick) -> Ticked:
        check = known.get(tick.id)
        if check is None or not check.done:
            return Ticked(tick, "", "")
        return Ticked(tick, check.by, presenter.clock(check.at_ms, seconds=False))

    sign = known.get(SIGNED)
    is_signed = sign is not None and sign.done
    return Checked(
        day,
        rows,
        tuple(ticked(each) for each in TICKS),
        f"{sign.by} at {presenter.clock(sign.at_ms, seconds=False)}" if is_signed and sign else "",
        sign.note if is_signed and sign else "",
    )


def routes(pages: Pages, books: Books) -> APIRouter:
    router, before = APIRouter(), Before(pages, books)
    _page_routes(router, pages, before)
    _tick_routes(router, pages, before)
    return router


def _page_routes(router: APIRouter, pages: Pages, before: Before) -> None:
    @router.get("/before", include_in_schema=False, response_class=HTMLResponse)
    def page(request: Request) -> HTMLResponse:
        found = before.look(pages.presenter())
        return pages.page(request, "before.html", checked=found, decides=DECIDES)

    @router.get("/api/v1/before", tags=["nights"])
    def as_json() -> Response:
        """Tell how the checklist before opening stands: lines by themselves, and ticks by name."""
        found = before.look(pages.presenter())
        return JSONResponse(
            {
                "day": found.day,
                "lines": [each.line._asdict() for each in found.rows],
                "ticks": [
                    {
                        "id": t.tick.id,
                        "todo": t.tick.todo,
                        "by": t.who or None,
                        "at": t.clock or None,
                    }
                    for t in found.ticks
                ],
                "signed": found.signed or None,
            }
        )


def _tick_routes(router: APIRouter, pages: Pages, before: Before) -> None:
    book, wall_ms = pages.services.checks, pages.services.wall_ms

    @router.post("/before/tick", include_in_schema=False)
    def tick(
        request: Request,
        line: Annotated[str, Form(max_length=40)],
        done: Annotated[bool, Form()] = True,
    ) -> Response:
        if line not in TICK:
            raise CrewMistake(f"there is no line {line!r}", about="line", missing=True)
        day = before.day()
        book.note(Check(day, line, wall_ms(), by(request), done))
        if not is_htmx(request):
            return RedirectResponse(f"/before#line-{line}", 303)
        found = checked(day, book.of(day), pages.presenter())
        return HTMLResponse(pages.fragments.ticked(found, line))

    @router.post("/before/sign", include_in_schema=False)
    def sign(
        request: Request,
        done: Annotated[bool, Form()] = True,
        note: Annotated[str, Form(max_length=NOTE_MAX)] = "",
    ) -> Response:
        """Sign off by name: what stood then is kept with it."""
        found = before.look(pages.presenter())
        note = " ".join(note.split())
        words = f"{note} \N{EN DASH} {_stood(found)}" if note else _stood(found)
        book.note(Check(found.day, SIGNED, wall_ms(), by(request), done, words if done else ""))
        return RedirectResponse("/before#sign", 303)


def _stood(found: Checked) -> str:
    """What was open when it was signed, for whoever reads it after the night."""
    bad = [
        f"{each.line.title}: {each.mark.word.lower()}"
        for each in found.rows
        if each.line.state is not State.GOOD
    ]
    lines_ = f"Not good then: {'; '.join(bad)}." if bad else "All lines were good."
    ticks = f" {found.open_ticks} not ticked." if found.open_ticks else " All was ticked."
    return lines_ + ticks
