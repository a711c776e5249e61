"""The doors by hand: open before their time, shut for the weather, a quarter of an hour more."""

from typing import Annotated, Final, NamedTuple

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse

from haunt.core.calendar import MINUTE_MS
from haunt.live.views import NightView
from haunt.site.actions import cards, done
from haunt.site.answers import answered
from haunt.site.asking import by
from haunt.site.pages import Pages

EXTEND_MIN: Final = 15
MINUTES_MAX: Final = 180

Minutes = Annotated[int, Form(ge=1, le=MINUTES_MAX)]


class Choice(NamedTuple):
    """One thing that may be done with the doors: the state asked for, its word, what follows."""

    state: str
    word: str
    follows: str


OPEN: Final = Choice(
    "open", "Open now", "Props fire, whatever the hour, until somebody shuts them."
)
PAUSED: Final = Choice("paused", "Pause", "For a shower: nothing fires until they open again.")
CLOSED: Final = Choice(
    "closed", "Close now", "Nothing fires, tonight or later, until somebody opens them."
)
TIMETABLE: Final = Choice("timetable", "By the hours", "As the show file says.")
EXTENDED: Final = Choice("extended", f"{EXTEND_MIN} min more", "The closing is put off.")
CHOICES: Final = (OPEN, PAUSED, CLOSED, TIMETABLE)
STATES: Final = {
    "open": "By hand",
    "paused": "Paused by hand",
    "closed": "By hand",
    "timetable": "By the hours",
}


def choices_of(night: NightView) -> list[Choice]:
    """What is not so already; a closing can be put off only where the hours close."""
    found = [each for each in CHOICES if each.state != night.doors]
    may_extend = night.closes_ms is not None and night.doors == "timetable"
    return [EXTENDED, *found] if may_extend else found


def _state_of(night: NightView, until_open: str) -> str:
    """Say who has the doors; a show that names no night is open all the time."""
    if night.doors != "timetable":
        return STATES[night.doors]
    if night.open and night.closes_ms is None:
        return "All the time: the show file names no night"
    return STATES["timetable"] + ("" if night.open else until_open)


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    crew = pages.services.crew

    @router.get("/doors")
    def doors(request: Request) -> HTMLResponse:
        presenter = pages.presenter()
        night = presenter.night
        return pages.page(
            request,
            "opening.html",
            state=_state_of(night, presenter.until_open()),
            is_open=night.open,
            closes=presenter.clock(night.closes_ms, seconds=False) if night.closes_ms else "",
            choices=choices_of(night),
        )

    @router.post("/doors/extended")
    async def extend(request: Request, minutes: Minutes = EXTEND_MIN) -> Response:
        await answered(crew.doors("extended", by(request), minutes * MINUTE_MS))
        said = f"The closing is put off by {minutes} min."
        return done(request, pages, said, *cards(pages), back="/doors")

    @router.post("/doors/{state}")
    async def set_doors(request: Request, state: str) -> Response:
        await answered(crew.doors(state, by(request)))
        said = f"Doors: {STATES[state].lower()}."
        return done(request, pages, said, *cards(pages), back="/doors")

    return router
