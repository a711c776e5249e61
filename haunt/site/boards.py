"""One board: what it last said of itself, its starts, and for owners its credential."""

import json
from base64 import b64encode
from collections.abc import Callable, Iterator
from typing import Annotated, Final, NamedTuple

from fastapi import APIRouter, Body, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from pydantic import BaseModel, ConfigDict

from haunt.core.calendar import DAY_MS
from haunt.live.errors import CrewMistake
from haunt.live.views import BoardView
from haunt.site.asking import inside, told_refused
from haunt.site.houseports import Credential, HouseRefused
from haunt.site.needs import WEAK_DBM
from haunt.site.pages import Pages
from haunt.site.ports import Item
from haunt.site.presenter import Presenter
from haunt.site.rights import Role
from haunt.site.view_models import Notice
from haunt.store.boardrows import Became, Run

Make = Callable[[str], Credential]

FAULTY: Final = {
    "brown-out": "its supply sagged",
    "watchdog": "it hung, and started itself again",
}
"""Starts that somebody should look into, with what was the matter."""


class Fact(NamedTuple):
    """A word and its value; `look` where somebody should."""

    name: str
    value: str
    look: str = ""


class PropRow(NamedTuple):
    id: str
    name: str
    place: str
    word: str
    starts: int | None


class SensorRow(NamedTuple):
    name: str
    kind: str
    counted: int | None
    props: str


class RunRow(NamedTuple):
    """One run between two starts; `look` where it was cut short by a fault."""

    began: str
    why: str
    lasted: str
    told: str
    look: str = ""


class CredentialOrder(BaseModel):
    """`rotate` takes the old password away and gives a new one."""

    model_config = ConfigDict(extra="forbid")
    rotate: bool = False


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _page(router, pages)
    _credentials(router, pages)
    return router


def order_routes(pages: Pages) -> APIRouter:
    """The same for programs."""
    router = APIRouter(prefix="/api/v1", tags=["boards"])
    keyring = pages.services.keyring

    @router.post("/boards/{board}/credential", status_code=201)
    def make(board: str, body: Annotated[CredentialOrder | None, Body()] = None) -> Response:
        """Give a board a password, shown this once. One that has one keeps it unless `rotate`."""
        _known(pages, board)
        rotate = body is not None and body.rotate
        made = keyring.rotate(board) if rotate else keyring.make(board)
        found: Item = json.loads(made.text)
        return JSONResponse(found, 201)

    @router.delete("/boards/{board}/credential")
    def revoke(board: str) -> Item:
        """Take a board's password away; it is cut off at once."""
        keyring.revoke(board)
        return {"board": board, "credential": None}

    return router


def _known(pages: Pages, board: str) -> BoardView:
    found = pages.services.crew.view().boards.get(board)
    if found is None:
        raise CrewMistake(f"There is no board {board!r} in this show.", missing=True)
    return found


def _page(router: APIRouter, pages: Pages) -> None:
    @router.get("/boards/{board}")
    def board_page(request: Request, board: str) -> HTMLResponse:
        return _drawn(pages, request, board)


def _drawn(
    pages: Pages, request: Request, board: str, status: int = 200, notice: Notice | None = None
) -> HTMLResponse:
    view, presenter = _known(pages, board), pages.presenter()
    keyring, has = pages.services.keyring, False
    is_owner = inside(request).role is Role.OWNER
    if is_owner and not keyring.foreign:
        try:
            has = keyring.has(board)
        except HouseRefused as refused:
            notice = notice or Notice(str(refused), "now")
    return pages.page(
        request,
        "board.html",
        status,
        f"board-{board}",
        board=view,
        card=presenter.board(view),
        facts=facts_of(view, presenter),
        props=_props(view, presenter),
        sensors=_sensors(view, presenter),
        runs=[_run(each, pages) for each in pages.services.boards.runs(board)],
        became=[_became(each) for each in _lately(pages, board)],
        is_owner=is_owner,
        foreign=keyring.foreign,
        has_credential=has,
        notice=notice,
    )


def facts_of(board: BoardView, presenter: Presenter) -> list[Fact]:
    """Say only what the board has said, and what it was told."""
    found = [*_body(board), *_counters(board), *_order(board, presenter)]
    found.append(Fact("Last heard", presenter.clock(board.last_heard_ms)))
    return found


def _body(board: BoardView) -> Iterator[Fact]:
    if board.rssi is not None:
        yield Fact("Signal", f"{board.rssi} dBm", "weak" if board.rssi < WEAK_DBM else "")
    if board.charge_percent is not None:
        yield Fact("Pack", f"{board.charge_percent} %")
    if board.battery_mv is not None:
        yield Fact("Volts", f"{board.battery_mv / 1000:.2f} V")
    if board.up_ms is not None:
        yield Fact("Up", _span(board.up_ms))
    if board.reset:
        yield Fact("Last start", board.reset.replace("-", " "))
    if board.boots:
        yield Fact("Starts anew", str(board.boots), "seen by this run")
    if board.connections is not None and board.connections > 1:
        yield Fact("Connections", str(board.connections), "since its last start")
    if board.fw:
        yield Fact("Firmware", board.fw)


def _counters(board: BoardView) -> Iterator[Fact]:
    """Say what waits on the board or is lost: it keeps a ring of what it could not send yet."""
    if board.counted is not None:
        waits = board.counted - (board.journalled or 0)
        yield Fact("Motions not here", str(max(0, waits)), "unsent, or lost" if waits > 0 else "")
    if board.dropped is not None:
        look = "its ring of unsent words was full" if board.dropped else ""
        yield Fact("Fell out unsent", str(board.dropped), look)
    if board.bad is not None:
        look = "payloads that it could not read" if board.bad else ""
        yield Fact("Refused to read", str(board.bad), look)


def _order(board: BoardView, presenter: Presenter) -> Iterator[Fact]:
    """Say which orders it has: the epoch, the stop, the settings."""
    night = presenter.night
    if board.epoch is not None:
        behind = f"the show is at {night.epoch}" if board.epoch < night.epoch else ""
        yield Fact("Epoch", str(board.epoch), behind)
    if board.stopped is not None:
        differs = "the show says other" if board.here and board.stopped is not night.stopped else ""
        yield Fact("Stop seen", "still" if board.stopped else "released", differs)
    if board.settings is not None:
        yield Fact("Settings told", f"version {board.settings}")


def _lately(pages: Pages, board: str) -> list[Became]:
    return pages.services.boards.became(board, pages.services.wall_ms() - DAY_MS)


def _became(each: Became) -> Fact:
    return Fact(f"{each.state}, {each.why}" if each.why else each.state, str(each.times))


def _run(each: Run, pages: Pages) -> RunRow:
    told = []
    if each.weakest_dbm is not None:
        told.append(f"weakest signal {each.weakest_dbm} dBm")
    if each.lowest_mv is not None:
        told.append(f"lowest {each.lowest_mv / 1000:.2f} V")
    return RunRow(
        pages.moment(each.from_ms),
        each.reset.replace("-", " "),
        _span(max(each.up_ms, each.until_ms - each.from_ms)),
        ", ".join(told),
        FAULTY.get(each.reset, ""),
    )


def _span(ms: int) -> str:
    minutes = ms // 60_000
    hours, rest = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    parts = [f"{days} d" if days else "", f"{hours} h" if hours else "", f"{rest} min"]
    return " ".join(each for each in parts if each)


def _props(board: BoardView, presenter: Presenter) -> list[PropRow]:
    starts = dict(board.starts)
    found = [presenter.night.props[each] for each in board.props if each in presenter.night.props]
    return [
        PropRow(each.id, each.name, each.place, presenter.card(each).word, starts.get(each.id))
        for each in found
    ]


def _sensors(board: BoardView, presenter: Presenter) -> list[SensorRow]:
    night, motions = presenter.night, dict(board.motions)
    found = [
        SensorRow(
            each.name,
            each.kind,
            motions.pop(each.id, None),
            ", ".join(night.props[prop].name for prop in each.props if prop in night.props),
        )
        for each in night.sensors.values()
        if each.board == board.id
    ]
    # What a board counts and the show file does not name is seen here first.
    return found + [SensorRow(each, "", count, "") for each, count in motions.items()]


def _credentials(router: APIRouter, pages: Pages) -> None:
    keyring = pages.services.keyring

    def shown(request: Request, made: Credential, what: str) -> HTMLResponse:
        file = b64encode(made.text.encode()).decode()
        return pages.page(
            request, "credential.html", made=made, what=what, name=f"{made.board}.json", file=file
        )

    def refused(request: Request, board: str, why: HouseRefused) -> HTMLResponse:
        told_refused(request, why)
        return _drawn(pages, request, board, 422, Notice(str(why), "now"))

    def made(request: Request, board: str, make: Make, what: str) -> HTMLResponse:
        """Answer with the file itself: the password is kept nowhere and cannot be shown again."""
        _known(pages, board)
        try:
            return shown(request, make(board), what)
        except HouseRefused as why:
            return refused(request, board, why)

    @router.post("/boards/{board}/credential")
    def first(request: Request, board: str) -> HTMLResponse:
        return made(request, board, keyring.make, "made")

    @router.post("/boards/{board}/credential/rotate")
    def rotate(request: Request, board: str) -> HTMLResponse:
        return made(request, board, keyring.rotate, "made anew")

    @router.post("/boards/{board}/credential/revoke")
    def revoke(request: Request, board: str) -> Response:
        _known(pages, board)
        try:
            keyring.revoke(board)
        except HouseRefused as why:
            return refused(request, board, why)
        return RedirectResponse(f"/boards/{board}", 303)
