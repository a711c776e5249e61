"""Builds the application: routes, faults in words, health, and the stream's heart."""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import asdict
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, PlainTextResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from haunt.live.errors import CrewMistake
from haunt.site import api, live
from haunt.site.assets import web_folder
from haunt.site.fragments import Fragments, environment
from haunt.site.pages import Pages, routes
from haunt.site.ports import Services, ShowRefused
from haunt.site.security import Guard

log = logging.getLogger("haunt.site")


def create_app(services: Services) -> FastAPI:
    templates = environment()
    fragments = Fragments(services.crew, templates)
    pages = Pages(services, fragments, templates)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        heart = asyncio.create_task(
            services.hub.run(fragments.render, fragments.parts, fragments.tick), name="hub"
        )
        try:
            yield
        finally:
            services.hub.close()
            heart.cancel()
            await asyncio.gather(heart, return_exceptions=True)

    app = FastAPI(
        title="haunt",
        version=services.version,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    app.include_router(api.routes(services))
    app.include_router(live.routes(services))
    app.include_router(routes(pages))
    app.mount("/static", StaticFiles(directory=web_folder() / "static"), name="static")
    _health(app, services)
    _faults(app, pages)
    app.add_middleware(Guard, hosts=services.hosts)
    return app


def _health(app: FastAPI, services: Services) -> None:
    def ready() -> dict[str, str]:
        view = services.crew.view()
        faults = {
            "broker": "" if view.link_up else "no link to the broker",
            "journal": view.counters.journal_failing,
            "rules": view.broken,
        }
        return {name: fault for name, fault in faults.items() if fault}

    @app.get("/livez", include_in_schema=False)
    async def livez() -> Response:
        return PlainTextResponse("ok")

    @app.get("/readyz", include_in_schema=False)
    @app.get("/healthz", include_in_schema=False)
    async def readyz() -> Response:
        faults = ready()
        return JSONResponse({"ready": not faults, "faults": faults}, 503 if faults else 200)

    @app.get("/metrics", include_in_schema=False)
    async def metrics() -> Response:
        return PlainTextResponse(_metrics(services), media_type="text/plain; version=0.0.4")


def _metrics(services: Services) -> str:
    view = services.crew.view()
    lines = []
    for name, value in asdict(view.counters).items():
        if isinstance(value, int):
            kind = "gauge" if name == "journal_backlog" else "counter"
            full = f"haunt_{name}" + ("" if kind == "gauge" else "_total")
            lines += [f"# TYPE {full} {kind}", f"{full} {value}"]
    gauges = {
        "haunt_stopped": view.stopped,
        "haunt_broker_up": view.link_up,
        "haunt_streams": len(services.hub.phones),
        "haunt_boards_here": sum(board.here for board in view.boards.values()),
        "haunt_boards": len(view.boards),
    }
    for full, gauge in gauges.items():
        lines += [f"# TYPE {full} gauge", f"{full} {int(gauge)}"]
    return "\n".join(lines) + "\n"


def _faults(app: FastAPI, pages: Pages) -> None:
    """Every fault says what, why and what next: as a page for people, as JSON for programs."""

    def answer(request: Request, status: int, what: str, todo: str, **more: Any) -> Response:
        if request.url.path.startswith("/api/"):
            return api.problem(status, what, todo, **more)
        return pages.page(request, "fault.html", status, code=status, what=what, todo=todo)

    @app.exception_handler(CrewMistake)
    async def mistake(request: Request, fault: CrewMistake) -> Response:
        status = 404 if fault.missing else 422
        return answer(request, status, "That cannot be done", fault.what, about=fault.about)

    @app.exception_handler(ShowRefused)
    async def refused(request: Request, fault: ShowRefused) -> Response:
        faults = [asdict(each) for each in fault.faults]
        said = "; ".join(str(each) for each in fault.faults[:3])
        return answer(request, 422, "The show file has faults", said, faults=faults)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, fault: RequestValidationError) -> Response:
        said = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in fault.errors())
        return answer(request, 422, "Something in the request is wrong", said)

    @app.exception_handler(HTTPException)
    async def http(request: Request, fault: HTTPException) -> Response:
        what = "There is nothing here" if fault.status_code == 404 else str(fault.detail)
        return answer(request, fault.status_code, what, "Go back to Tonight.")

    @app.exception_handler(TimeoutError)
    async def slow(request: Request, _fault: TimeoutError) -> Response:
        return answer(
            request, 503, "The controller did not answer", "Try once more; look at Tonight."
        )

    @app.exception_handler(Exception)
    async def broken(request: Request, fault: Exception) -> Response:
        log.error("page %s failed", request.url.path, exc_info=fault)
        todo = "The show goes on. Go back to Tonight; tell whoever keeps the controller."
        return answer(request, 500, "This page failed", todo)
