"""The first show, step by step on a phone: a prop, its board's file, a walk past it, doors.

Every step has its values already but the prop's name; what is done is seen in the running night.
"""

from datetime import date, datetime, time
from typing import Annotated, Final, NamedTuple
from zoneinfo import available_timezones

from fastapi import APIRouter, Form, Query, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from pydantic import BeforeValidator, Field

from haunt.live.views import BoardView
from haunt.site.houseports import HouseRefused
from haunt.site.plan.desk import Desk
from haunt.site.plan.edits import Change, Refused
from haunt.wire.firstshow import Thing, add_thing, open_on
from haunt.wire.showdraft import Draft
from haunt.wire.showlines import Path
from haunt.workshop.cautions import CAUTIONS, DECIDES, TITLES, Topic

SENSORS: Final = {
    "pir": "PIR: warmth that moves",
    "beam": "Light beam across the path",
    "mat": "Mat to step on",
    "radar": "Radar",
    "button": "Button",
}
ABOUT: Final = (Topic.LITHIUM, Topic.MAINS, Topic.MOTION)
OPENS, CLOSES, LAST, QUARTER_MIN = time(18), time(21, 30), time(23, 45), 15
HOURS: Final = 24
SAVED: Final = "Saved."

Name = Annotated[str, Form(max_length=200)]
Day = Annotated[date, Form()]
Hour = Annotated[time, Form()]
Pin = Annotated[
    Annotated[int, Field(ge=0, le=255)] | None, BeforeValidator(lambda text: text or None), Form()
]
Seconds = Annotated[float, Form(ge=0, le=86_400, allow_inf_nan=False)]


class Typed(NamedTuple):
    """What somebody said of a prop, for the form that comes back."""

    thing: Thing
    time_zone: str


class BoardSteps(NamedTuple):
    """What is done for one board: its password made, its voice heard, its sensors walked past."""

    id: str
    has_file: bool
    is_here: bool
    motions: int
    props: tuple[str, ...]


def routes(desk: Desk) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    steps = FirstShow(desk)

    @router.get("/first")
    def first(request: Request, saved: Annotated[int | None, Query(ge=0)] = None) -> HTMLResponse:
        return steps.page(request, saved=saved)

    @router.post("/first/prop")
    def prop(  # noqa: PLR0913 - the fields of one form
        request: Request,
        *,
        name: Name = "",
        sensor: Name = "pir",
        place: Name = "",
        board: Name = "",
        time_zone: Name = "",
        duration_s: Seconds = 5,
        cooldown_s: Seconds = 20,
        sensor_pin: Pin = None,
        prop_pin: Pin = None,
    ) -> Response:
        pins = (sensor_pin, prop_pin)
        thing = Thing(name.strip(), sensor, duration_s, cooldown_s, place.strip(), board, *pins)
        return steps.add(request, Typed(thing, time_zone))

    @router.post("/first/doors")
    def doors(request: Request, day: Day, opens: Hour, closes: Hour) -> Response:
        return steps.open(request, day, opens, closes)

    return router


class FirstShow:
    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def add(self, request: Request, typed: Typed) -> Response:
        """Keep the prop with board, sensor, behaviour and link: all of it, or none."""
        thing = typed.thing
        if not thing.name:
            return self.page(request, typed, ["A prop needs a name, such as Gatekeeper."])

        def steps(draft: Draft) -> Path:
            if typed.time_zone:
                draft.put(("show",), {"time_zone": typed.time_zone})
            return add_thing(draft, thing)

        return self._kept(request, steps, typed)

    def open(self, request: Request, day: date, opens: time, closes: time) -> Response:
        def steps(draft: Draft) -> None:
            open_on(draft, day, f"{opens:%H:%M}", f"{closes:%H:%M}")

        return self._kept(request, steps)

    def _kept(self, request: Request, steps: Change, typed: Typed | None = None) -> Response:
        try:
            done = self._desk.change(request, steps)
        except Refused as refused:
            said = [f"{each.key} {each.what}; allowed: {each.allowed}" for each in refused.faults]
            return self.page(request, typed, said)
        return RedirectResponse(f"/first?saved={done.version}", 303)

    def page(
        self,
        request: Request,
        typed: Typed | None = None,
        faults: list[str] | None = None,
        saved: int | None = None,
    ) -> HTMLResponse:
        _, read = self._desk.now()
        boards = self._boards()
        now = self._desk.pages.now()
        flash = self._desk.flash(saved, "/first", "/first")
        return self._desk.page(
            request,
            "first.html",
            422 if faults else 200,
            faults=faults or [],
            boards=boards,
            props={each.id: each.name or each.id for each in read.show.props},
            nights=[each for each in read.show.nights if each.date >= now.date()],
            typed=(typed or Typed(Thing(""), read.show.info.time_zone)),
            sensors=SENSORS,
            zones=sorted(available_timezones()),
            today=now.date().isoformat(),
            opens=f"{min(OPENS, _quarter(now)):%H:%M}",
            closes=f"{_closes(now):%H:%M}",
            cautions=[(TITLES[each], CAUTIONS[each]) for each in ABOUT],
            decides=DECIDES,
            foreign=self._desk.pages.services.keyring.foreign,
            flash=flash._replace(said=SAVED) if flash is not None else None,
        )

    def _boards(self) -> list[BoardSteps]:
        view = self._desk.pages.services.crew.view()
        return [self._steps(each) for each in view.boards.values()]

    def _steps(self, board: BoardView) -> BoardSteps:
        keyring = self._desk.pages.services.keyring
        try:
            has_file = bool(keyring.foreign) or keyring.has(board.id)
        except HouseRefused:
            has_file = False
        motions = sum(count for _, count in board.motions)
        return BoardSteps(board.id, has_file, board.here, motions, board.props)


def _quarter(now: datetime) -> time:
    return time(now.hour, now.minute // QUARTER_MIN * QUARTER_MIN)


def _closes(now: datetime) -> time:
    """Whoever begins late still wants to see it run."""
    return max(CLOSES, time(now.hour + 2)) if now.hour + 2 < HOURS else LAST
