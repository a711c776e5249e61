"""Whether the server lives and is ready, and its counters for a scraper."""

from collections.abc import Callable, Iterator
from dataclasses import asdict

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse, PlainTextResponse

from haunt.live.views import NightView
from haunt.site.asking import caller_of
from haunt.site.ports import Services
from haunt.site.streams import Slots

GAUGES = frozenset({"journal_backlog"})
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
        lines = [*_counted(services.crew.view()), *_gauges(services.crew.view(), slots)]
        text = "\n".join([*lines, *_info(services.version)]) + "\n"
        return PlainTextResponse(text, media_type="text/plain; version=0.0.4")

    return router


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


def _counted(view: NightView) -> Iterator[str]:
    for name, value in asdict(view.counters).items():
        if isinstance(value, int):
            is_gauge = name in GAUGES
            full = f"haunt_{name}" if is_gauge else f"haunt_{name}_total"
            yield f"# TYPE {full} {'gauge' if is_gauge else 'counter'}"
            yield f"{full} {value}"
    yield "# TYPE haunt_prop_decisions_total counter"
    for prop in view.props.values():
        outcomes = {"fired": prop.fired, "refused": prop.refused, "lapsed": prop.lapsed}
        for outcome, count in outcomes.items():
            yield f'haunt_prop_decisions_total{{prop="{prop.id}",outcome="{outcome}"}} {count}'


def _gauges(view: NightView, slots: Slots) -> Iterator[str]:
    gauges = {
        "haunt_stopped": view.stopped,
        "haunt_broker_up": view.link_up,
        "haunt_streams": slots.taken,
        "haunt_boards_here": sum(board.here for board in view.boards.values()),
        "haunt_boards": len(view.boards),
    }
    for full, value in gauges.items():
        yield f"# TYPE {full} gauge"
        yield f"{full} {int(value)}"
    yield "# TYPE haunt_board_charge_ratio gauge"
    for board in view.boards.values():
        if board.charge_percent is not None:
            ratio = board.charge_percent / 100
            yield f'haunt_board_charge_ratio{{board="{board.id}"}} {ratio:.2f}'


def _info(version: str) -> Iterator[str]:
    yield "# TYPE haunt_info gauge"
    yield f'haunt_info{{version="{version}"}} 1'
