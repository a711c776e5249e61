"""Whether the server lives and is ready, and its counters for a scraper."""

from collections.abc import Callable, Iterator

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse, PlainTextResponse

from haunt.site.asking import caller_of
from haunt.site.metrics import CONTENT_TYPE, metrics_of, written
from haunt.site.ports import Services
from haunt.site.streams import Slots

OLD_VIEW_MS = 10_000


def routes(services: Services, slots: Slots, beats: Callable[[], bool]) -> APIRouter:
    """`beats` says whether the live stream's task still runs."""
    router = APIRouter(include_in_schema=False)

    @router.get("/livez")
    async def livez() -> Response:
        fault = "" if beats() else "the live stream has ended"
        return JSONResponse({"live": not fault, "fault": fault}, 503 if fault else 200)

    @router.get("/readyz")
    @router.get("/healthz")
    async def readyz(request: Request) -> Response:
        """Name what is at fault to everybody, and how to whoever is signed in."""
        is_in = caller_of(request) is not None
        faults = {name: why if is_in else "" for name, why in _faults(services)}
        return JSONResponse({"ready": not faults, "faults": faults}, 503 if faults else 200)

    @router.get("/metrics")
    async def metrics() -> Response:
        view, now_ms = services.crew.view(), services.wall_ms()
        text = written(metrics_of(view, slots.taken, services.version, now_ms))
        return PlainTextResponse(text, media_type=CONTENT_TYPE)

    return router


def is_alive(services: Services, *, beats: bool) -> bool:
    """Say whether pages and rules still run; what a restart cannot mend does not count."""
    return beats and services.wall_ms() - services.crew.view().at_ms <= OLD_VIEW_MS


def _faults(services: Services) -> Iterator[tuple[str, str]]:
    view = services.crew.view()
    if not view.link_up:
        yield "broker", "no link to the broker"
    if view.counters.journal_failing:
        yield "journal", view.counters.journal_failing
    if view.broken:
        yield "rules", view.broken
    age_ms = services.wall_ms() - view.at_ms
    if age_ms > OLD_VIEW_MS:
        yield "owner", f"the night was last seen {age_ms / 1000:.0f} s ago"
