"""The walk test's page: sensors as one walks past them, and how far each sees, kept with a name."""

from typing import Annotated

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import cards, done
from haunt.site.answers import answered
from haunt.site.asking import by
from haunt.site.pages import Pages
from haunt.site.sensing import walk_of
from haunt.store.checks import Range

METRES_MAX = 100
WORDS_MAX = 160

Metres = Annotated[float | None, Form(ge=0, le=METRES_MAX, allow_inf_nan=False)]
Words = Annotated[str, Form(max_length=WORDS_MAX)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    crew, book = pages.services.crew, pages.services.checks

    @router.get("/walk")
    def walk(request: Request) -> HTMLResponse:
        presenter = pages.presenter()
        return pages.page(
            request,
            "walk.html",
            stream="walk",
            walk=walk_of(presenter),
            ranges={each: _words(found, pages) for each, found in book.ranges().items()},
        )

    @router.post("/walk/begin")
    async def begin(request: Request) -> Response:
        await answered(crew.walk_test(by(request), on=True))
        said = "Walk test: sensors are live, nothing fires."
        return done(request, pages, said, "walk", *cards(pages), back="/walk")

    @router.post("/walk/end")
    async def end(request: Request) -> Response:
        await answered(crew.walk_test(by(request), on=False))
        said = "The walk test has ended: props fire again."
        return done(request, pages, said, "walk", *cards(pages))

    @router.post("/walk/{sensor}/range")
    def keep_range(
        request: Request, sensor: str, metres: Metres = None, words: Words = ""
    ) -> Response:
        if sensor not in crew.view().sensors:
            raise CrewMistake(f"there is no sensor {sensor!r}", about=sensor, missing=True)
        words = " ".join(words.split())
        if metres is None and not words:
            raise CrewMistake("say how far it sees, or something about it", about="metres")
        cm = None if metres is None else round(metres * 100)
        book.note_range(Range(sensor, pages.services.wall_ms(), by(request), cm, words))
        return RedirectResponse(f"/walk#range-{sensor}", 303)

    return router


def _words(found: Range, pages: Pages) -> str:
    far = f"{found.range_cm / 100:g} m" if found.range_cm is not None else ""
    said = ", ".join(each for each in (far, found.words) if each)
    return f"{said} ({pages.moment(found.at_ms)}, {found.by})"
