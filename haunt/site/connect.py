"""The page for people who write their own firmware, and the same exchange for their programs."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse

from haunt.live.errors import CrewMistake
from haunt.live.views import NightView
from haunt.site.pages import Pages
from haunt.study.conformance.script import CHECKS
from haunt.wire.exchange import Cast, Step, exchange

BEGINNINGS = {
    "firmware_stub": "MicroPython: the firmware that comes along, for boards and for this machine",
    "firmware_stub/arduino/haunt_board": "C++: an example for Arduino-style boards with Wi-Fi",
}
"""Where in the source to begin from; an installed haunt has them in its folder `_firmware`."""


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/connect")
    async def connect(request: Request, board: str = "") -> HTMLResponse:
        night = pages.presenter().night
        cast = cast_of(night, board)
        return pages.page(
            request,
            "connect.html",
            cast=cast,
            boards=list(night.boards),
            steps=exchange(cast),
            checks=CHECKS,
            beginnings=BEGINNINGS.items(),
        )

    @router.get("/connect.json")
    async def for_programs(board: str = "") -> Response:
        """The very bytes, to try one's own reader and writer with."""
        steps = exchange(cast_of(pages.presenter().night, board))
        return JSONResponse([_plain(each) for each in steps])

    return router


def cast_of(night: NightView, board: str) -> Cast:
    """With the names of a board of this show, as far as it has any: so it can be copied."""
    if board and board not in night.boards:
        raise CrewMistake(f"There is no board {board!r} in this show.", missing=True)
    name = board or next(iter(night.boards), "gate")
    props = [each for each in night.props.values() if each.board == name and each.behaviours]
    sensors = [each.id for each in night.sensors.values() if each.board == name]
    prop = props[0] if props else None
    return Cast(
        night.show_id,
        name,
        sensors[0] if sensors else f"{name[:28]}-pir",
        prop.id if prop is not None else "gatekeeper",
        prop.behaviours[0] if prop is not None else "growl",
    )


def _plain(step: Step) -> dict[str, str]:
    return {
        "by": step.by,
        "packet": step.name,
        "topic": step.topic,
        "flags": step.flags,
        "payload": step.payload.decode(),
        "hex": step.raw.hex(),
    }
