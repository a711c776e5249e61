"""Backups for owners: what there is, one more, going back to one, one file to take away."""

import asyncio
from ipaddress import ip_address
from typing import Final, NamedTuple

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, StreamingResponse

from haunt.live.errors import CrewMistake
from haunt.site.asking import by, told, told_refused
from haunt.site.houseports import Copy, HouseRefused, Loss
from haunt.site.lists import attached
from haunt.site.pages import Pages
from haunt.site.view_models import Notice

WHYS: Final = {
    "scheduled": "every hour",
    "hand": "by hand",
    "upgrade": "before an upgrade",
    "restore": "before a restore",
}
COUNTED: Final = {
    "motions": ("motion", "motions"),
    "decisions": ("decision", "decisions"),
    "shows": ("version of the show file", "versions of the show file"),
    "people": ("person", "people"),
    "tokens": ("token", "tokens"),
    "logbook": ("line of the logbook", "lines of the logbook"),
}
LISTED: Final = ("motions", "decisions", "shows")
BACK_AFTER_S: Final = 5


class Line(NamedTuple):
    """One backup in words."""

    name: str
    moment: str
    why: str
    size: str
    counts: str
    tried: str


class Change(NamedTuple):
    """What there would be after going back, beside what there is now."""

    word: str
    now: int
    then: int


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _list(router, pages)
    _one(router, pages)
    _restore(router, pages)
    return router


def _line(pages: Pages, copy: Copy) -> Line:
    return Line(
        copy.name,
        pages.moment(copy.at_ms),
        WHYS.get(copy.why, copy.why),
        f"{copy.size_bytes / 1024**2:.1f} MB",
        ", ".join(_counted(each, copy.rows[each]) for each in LISTED if each in copy.rows),
        pages.moment(copy.tried_ms) if copy.tried_ms is not None else "",
    )


def _counted(table: str, count: int) -> str:
    one, many = COUNTED[table]
    return f"{count} {one if count == 1 else many}"


def _drawn(
    pages: Pages, request: Request, status: int = 200, notice: Notice | None = None
) -> HTMLResponse:
    standing = pages.services.backups.standing()
    return pages.page(
        request,
        "keep.html",
        status,
        copies=[_line(pages, each) for each in standing.copies],
        trouble=standing.trouble,
        words=standing.words,
        notice=notice,
    )


def _list(router: APIRouter, pages: Pages) -> None:
    book = pages.services.backups

    @router.get("/keep")
    def keep(request: Request) -> HTMLResponse:
        return _drawn(pages, request)

    @router.post("/keep/backups")
    def back_up(request: Request) -> HTMLResponse:
        """Make one and start from a copy of it: one that was never tried is a hope."""
        try:
            made = book.back_up()
            told(request, about=made.name)
            said = book.try_out(made.name)
        except HouseRefused as refused:
            told_refused(request, refused)
            return _drawn(pages, request, 422, Notice(f"{refused}", "now"))
        return _drawn(pages, request, notice=Notice(f"Made: {said}."))


def _one(router: APIRouter, pages: Pages) -> None:
    book = pages.services.backups

    @router.get("/keep/{backup}")
    def backup_page(request: Request, backup: str) -> HTMLResponse:
        return _copy_page(pages, request, backup)

    @router.post("/keep/{backup}/try")
    def try_out(request: Request, backup: str) -> HTMLResponse:
        said = book.try_out(backup)
        return _copy_page(pages, request, backup, Notice(f"{said[:1].upper()}{said[1:]}."))

    @router.post("/keep/{backup}/download")
    def download(request: Request, backup: str) -> Response:
        parcel = book.parcel(backup, with_keys=is_hidden(request))
        return StreamingResponse(
            parcel.pieces,
            media_type="application/x-tar",
            headers={**attached(parcel.name), "content-length": str(parcel.size_bytes)},
        )


def _copy_page(
    pages: Pages, request: Request, backup: str, notice: Notice | None = None
) -> HTMLResponse:
    try:
        loss = pages.services.backups.loss(backup)
    except HouseRefused as refused:
        raise CrewMistake(f"{refused}.", about=backup, missing=True) from refused
    return pages.page(
        request,
        "backup.html",
        copy=_line(pages, loss.copy),
        changes=changes_of(loss),
        owners=loss.owners,
        with_keys=is_hidden(request),
        notice=notice,
    )


def changes_of(loss: Loss) -> list[Change]:
    return [
        Change(many, loss.rows[table], loss.copy.rows[table])
        for table, (_one_word, many) in COUNTED.items()
        if table in loss.rows and table in loss.copy.rows
    ]


def is_hidden(request: Request) -> bool:
    """Whether nobody on the network reads what goes along: https, or this very machine."""
    if request.url.scheme == "https":
        return True
    try:
        return request.client is not None and ip_address(request.client.host).is_loopback
    except ValueError:
        return False


def _restore(router: APIRouter, pages: Pages) -> None:
    book = pages.services.backups

    @router.post("/keep/{backup}/restore")
    async def restore(request: Request, backup: str) -> Response:
        """Try it, put it down for the start, and start anew once this page is out."""
        try:
            said = await asyncio.to_thread(book.restore, backup, by(request))
        except HouseRefused as refused:
            told_refused(request, refused)
            notice = Notice(f"Nothing was changed: {refused}", "now")
            return await asyncio.to_thread(_drawn, pages, request, 422, notice)
        answer = pages.page(request, "again.html", said=said, after_s=BACK_AFTER_S)
        # By a header, so that it needs no script: everybody signs in anew afterwards.
        answer.headers["refresh"] = f"{BACK_AFTER_S}; url=/sign-in?next=%2Fkeep"
        book.again()
        return answer
