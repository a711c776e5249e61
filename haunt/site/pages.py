"""Pages for people: each form posts and redirects, and answers htmx with the parts it changed."""

import asyncio
import secrets
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from haunt.core.decisions import Decision
from haunt.live.errors import CrewMistake
from haunt.live.sentences import reasons, sentence
from haunt.site.fragments import Fragments
from haunt.site.ports import Services
from haunt.site.view_models import Presenter

ANSWER_S = 3.0
GENTLE_MS = 180_000
THEMES = ("night", "red", "light")
DECISIONS_SHOWN = 50


class Pages:
    """Holds what every page needs; one instance an application."""

    def __init__(self, services: Services, fragments: Fragments, templates: Any) -> None:
        self.services, self.fragments, self.templates = services, fragments, templates

    def page(self, request: Request, name: str, status: int = 200, **more: Any) -> HTMLResponse:
        presenter = Presenter(self.services.crew.view())
        theme = request.cookies.get("theme", "night")
        html = self.templates.get_template(name).render(
            request=request,
            base=request.scope.get("root_path", ""),
            theme=theme if theme in THEMES else "night",
            presenter=presenter,
            bar=presenter.bar(),
            night=presenter.night,
            version=self.services.version,
            **more,
        )
        return HTMLResponse(html, status)

    async def done(self, request: Request, *changed: str) -> Response:
        """After an action: the changed parts for htmx, else back to where the person was."""
        if request.headers.get("hx-request"):
            parts = [*("bar", "summary", "needs"), *changed]
            return HTMLResponse("".join(self.fragments.render(each) for each in parts))
        return RedirectResponse(_back(request), 303)


def _back(request: Request) -> str:
    """Return the path of our own page that the post came from."""
    referer = request.headers.get("referer", "")
    host = request.headers.get("host", "")
    _, found, path = referer.partition(f"://{host}")
    return path if found and path.startswith("/") and not path.startswith("//") else "/"


def by(request: Request) -> str:
    return f"phone {request.client.host}" if request.client is not None else "phone"


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _show_routes(router, pages)
    _show_actions(router, pages)
    _prop_actions(router, pages)
    return router


def _show_routes(router: APIRouter, pages: Pages) -> None:
    services, fragments = pages.services, pages.fragments

    @router.get("/")
    async def tonight(request: Request) -> HTMLResponse:
        presenter = Presenter(services.crew.view())
        cards = [presenter.card(each) for each in presenter.night.props.values()]
        return pages.page(
            request,
            "tonight.html",
            cards=cards,
            summary=presenter.summary(),
            needs=presenter.needs(),
        )

    @router.get("/stream", response_class=EventSourceResponse)
    async def stream() -> AsyncIterator[ServerSentEvent]:
        async for message in services.hub.listen(fragments.snapshot, fragments.tick):
            yield ServerSentEvent(raw_data=message.data, event=message.event)

    @router.get("/props/{prop}")
    def prop_page(request: Request, prop: str) -> HTMLResponse:
        presenter = Presenter(services.crew.view())
        view = presenter.night.props.get(prop)
        if view is None:
            raise CrewMistake(f"There is no prop {prop!r} in this show.", missing=True)
        found = services.reader.decisions(prop=prop, newest=True, limit=DECISIONS_SHOWN)
        return pages.page(
            request,
            "prop.html",
            card=presenter.card(view),
            prop=view,
            board=presenter.night.boards[view.board],
            decisions=[_spoken(each) for each in reversed(found.items)],
            key=secrets.token_hex(8),
        )

    @router.get("/log")
    def log_page(request: Request) -> HTMLResponse:
        asked = {
            name: request.query_params.get(name) or None for name in ("prop", "outcome", "reason")
        }
        before = request.query_params.get("before", "")
        found = services.reader.decisions(
            **asked,
            newest=True,
            before=int(before) if before.isdigit() else None,
            limit=DECISIONS_SHOWN,
        )
        return pages.page(
            request,
            "log.html",
            decisions=[_spoken(each) for each in reversed(found.items)],
            older=found.next,
            asked=asked,
            reasons=reasons(),
        )

    @router.get("/boards")
    async def boards_page(request: Request) -> HTMLResponse:
        return pages.page(request, "boards.html")

    @router.get("/release")
    async def release_page(request: Request) -> HTMLResponse:
        return pages.page(request, "release.html")

    @router.get("/help")
    async def help_page(request: Request) -> HTMLResponse:
        return pages.page(request, "help.html")


def _spoken(item: dict[str, Any]) -> dict[str, Any]:
    return {**item, "sentence": sentence(item)}


def _show_actions(router: APIRouter, pages: Pages) -> None:
    crew = pages.services.crew

    @router.post("/stop")
    async def stop(request: Request) -> Response:
        await asyncio.wait_for(asyncio.wrap_future(crew.stop(by(request))), ANSWER_S)
        return await pages.done(request)

    @router.post("/release")
    async def release(request: Request) -> Response:
        await asyncio.wait_for(asyncio.wrap_future(crew.release_stop(by(request))), ANSWER_S)
        if request.headers.get("hx-request"):
            return await pages.done(request)
        return RedirectResponse("/", 303)

    @router.post("/hold")
    async def hold_all(request: Request) -> Response:
        await asyncio.wait_for(asyncio.wrap_future(crew.hold(None, by(request))), ANSWER_S)
        return await pages.done(request, *pages.fragments.parts()[3:])

    @router.post("/release-hold")
    async def release_all(request: Request) -> Response:
        await asyncio.wait_for(asyncio.wrap_future(crew.release_hold(None, by(request))), ANSWER_S)
        return await pages.done(request, *pages.fragments.parts()[3:])

    @router.post("/gentle")
    async def gentle(request: Request) -> Response:
        future = crew.phase_by_hand("gentle", GENTLE_MS, by(request))
        await asyncio.wait_for(asyncio.wrap_future(future), ANSWER_S)
        return await pages.done(request)

    @router.post("/theme")
    async def theme(request: Request, theme: Annotated[str, Form()]) -> Response:
        answer = RedirectResponse(_back(request), 303)
        if theme in THEMES:
            answer.set_cookie("theme", theme, max_age=31_536_000, samesite="strict", httponly=True)
        return answer


def _prop_actions(router: APIRouter, pages: Pages) -> None:
    crew = pages.services.crew

    @router.post("/props/{prop}/hold")
    async def hold(
        request: Request, prop: str, for_s: Annotated[int | None, Form()] = None
    ) -> Response:
        for_ms = for_s * 1000 if for_s is not None else None
        await asyncio.wait_for(asyncio.wrap_future(crew.hold(prop, by(request), for_ms)), ANSWER_S)
        return await pages.done(request, f"prop-{prop}")

    @router.post("/props/{prop}/release")
    async def release_prop(request: Request, prop: str) -> Response:
        await asyncio.wait_for(asyncio.wrap_future(crew.release_hold(prop, by(request))), ANSWER_S)
        return await pages.done(request, f"prop-{prop}")

    @router.post("/props/{prop}/fire")
    async def fire(
        request: Request,
        prop: str,
        key: Annotated[str, Form()],
        behaviour: Annotated[str | None, Form()] = None,
    ) -> Response:
        future = crew.fire(prop, f"h-{key}"[:64], by(request), behaviour=behaviour or None)
        decisions = await asyncio.wait_for(asyncio.wrap_future(future), ANSWER_S)
        if request.headers.get("hx-request"):
            return HTMLResponse(_receipt(decisions))
        return RedirectResponse(f"/props/{prop}", 303)

    @router.post("/props/{prop}/cooldown")
    def cooldown(
        request: Request, prop: str, cooldown_s: Annotated[float, Form(ge=0, le=3600)]
    ) -> Response:
        pages.services.keeper.patch_prop(prop, {"cooldown_s": cooldown_s}, by(request))
        return RedirectResponse(f"/props/{prop}", 303)


def _receipt(decisions: tuple[Decision, ...]) -> str:
    said = " ".join(sentence(each._asdict()) for each in decisions) or "Done already."
    return f'<hx-partial hx-target="#receipt" hx-swap="innerHTML">{said}</hx-partial>'
