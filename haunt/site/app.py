"""Builds the application out of its parts: routes, layers, and the live stream's heart."""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Security
from fastapi.security import HTTPBearer
from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES, GZipMiddleware

from haunt.site import (
    account,
    actions,
    api,
    apidocs,
    before,
    boards,
    connect,
    counts,
    findings,
    hands,
    health,
    joincard,
    keep,
    labels,
    lines,
    live,
    manual,
    nights,
    opening,
    packs,
    pages,
    people,
    rehearsals,
    sign_in,
    tuning,
    verdicts,
    walk,
)
from haunt.site.asking import form_token
from haunt.site.assets import Static
from haunt.site.faults import Faults, LastResort
from haunt.site.fragments import Fragments, environment
from haunt.site.gate import Gate
from haunt.site.hub import Hub
from haunt.site.map import pages as site_map
from haunt.site.pages import Pages
from haunt.site.plan import joined as plan
from haunt.site.ports import Services
from haunt.site.security import Guard
from haunt.site.streams import Slots

log = logging.getLogger("haunt.site")

# A fifth of the bytes for half a millisecond. Never the event stream, whose events would wait for
# each other, and no CSV: a season of it would keep a core from the show.
SQUEEZED: dict[str, Any] = {
    "minimum_size": 1000,
    "compresslevel": 5,
    "exclude_content_types": (*DEFAULT_EXCLUDED_CONTENT_TYPES, "text/csv", "application/pdf"),
}

# Modules whose pages need nothing but what every page is drawn with.
PLAIN = (
    verdicts,
    counts,
    packs,
    manual,
    connect,
    nights,
    tuning,
    rehearsals,
    site_map,
    labels,
    lines,
    joincard,
    actions,
    hands,
    walk,
    opening,
    sign_in,
    account,
    people,
    boards,
    keep,
)


def create_app(services: Services) -> FastAPI:
    templates = environment()
    templates.globals["form_token"] = form_token  # before any template is loaded
    templates.globals["other_address"] = services.other
    fragments = Fragments(services.crew, templates, services.wall_ms)
    drawn = Pages(services, fragments, templates)
    faults, slots, heart = Faults(drawn.fault), Slots(), Heart(services.hub, fragments)
    app = FastAPI(
        title="haunt",
        summary="A night of animated props: orders, lists and the live stream.",
        version=services.version,
        lifespan=heart.lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    _join_programs(app, drawn, slots, faults)
    _join_pages(app, drawn, slots)
    app.include_router(health.routes(services, slots, heart.beats))
    app.state.is_alive = lambda: health.is_alive(services, beats=heart.beats())
    plan.join(app, drawn)  # after all that has a path of its own under /plan
    app.include_router(apidocs.routes(drawn, app.openapi))
    app.mount("/static", Static(), name="static")
    faults.join(app)
    app.add_middleware(GZipMiddleware, **SQUEEZED)
    app.add_middleware(Gate, entrance=services.entrance, faults=faults)
    app.add_middleware(LastResort, faults=faults)
    app.add_middleware(Guard, hosts=services.hosts, refuse=faults.refuse)
    return app


def _join_programs(app: FastAPI, drawn: Pages, slots: Slots, faults: Faults) -> None:
    token = [Security(HTTPBearer(auto_error=False, description="`haunt tokens add`"))]
    for each in (
        api.routes(drawn.services),
        hands.api_routes(drawn.services.crew),
        live.routes(drawn.services, slots, faults),
        people.list_routes(drawn),
        boards.order_routes(drawn),
    ):
        app.include_router(each, dependencies=token)


def _join_pages(app: FastAPI, drawn: Pages, slots: Slots) -> None:
    books = findings.books(drawn.services.sunset_of)
    app.include_router(pages.routes(drawn, slots))
    app.include_router(findings.routes(drawn, books))
    app.include_router(before.routes(drawn, books))
    for each in PLAIN:
        app.include_router(each.routes(drawn))


class Heart:
    """Keeps the hub running as long as the application does."""

    def __init__(self, hub: Hub, fragments: Fragments) -> None:
        self._hub, self._fragments = hub, fragments
        self._task: asyncio.Task[None] | None = None

    def beats(self) -> bool:
        return self._task is not None and not self._task.done()

    @asynccontextmanager
    async def lifespan(self, _app: FastAPI) -> AsyncIterator[None]:
        self._task = asyncio.create_task(self._hub.run(self._fragments), name="hub")
        self._task.add_done_callback(_tell)
        try:
            yield
        finally:
            self._hub.close()
            await asyncio.gather(self._task, return_exceptions=True)


def _tell(task: asyncio.Task[None]) -> None:
    if not task.cancelled() and task.exception() is not None:
        log.critical("the live stream ended; pages show old news", exc_info=task.exception())
