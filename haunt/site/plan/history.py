"""Every version of the show: who, when, what changed; and the way back, itself a new version."""

import re
from collections import OrderedDict
from threading import Lock
from typing import Final, NamedTuple

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.asking import by, told
from haunt.site.lists import CursorText, RowId
from haunt.site.plan.changes import Change, changes, only_looks, renames
from haunt.site.plan.desk import Desk, Saved, TypedForm, compared, version_of
from haunt.site.plan.rowpages import FOLLOWED
from haunt.site.ports import ShowMovedOn
from haunt.store.shows import ShowVersion
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import ReadShow

SHOWN: Final = 15
LINES_SHOWN: Final = 8
TOLD_KEPT: Final = 200
BACK: Final = "back"
OWN: Final = re.compile(r"(?:/[A-Za-z0-9~][A-Za-z0-9._~-]*)+")


class VersionLine(NamedTuple):
    """One version as it is listed. `more` counts the lines that are left out."""

    version: int
    when: str
    by: str
    lines: list[Change]
    more: int
    said: str
    is_now: bool


def routes(desk: Desk) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    told_of = Told(desk)

    @router.get("/plan/history")
    def history(request: Request, before: CursorText = "", saved: Saved = None) -> Response:
        kept = desk.keeper.kept()
        found = desk.shelf.versions(SHOWN + 1, int(before) if before else None)
        lines = [
            told_of.line(each, found[n + 1] if n + 1 < len(found) else None, kept.version)
            for n, each in enumerate(found[:SHOWN])
        ]
        return desk.page(
            request,
            "plan_history.html",
            versions=lines,
            older=found[SHOWN - 1].version if len(found) > SHOWN else None,
            flash=desk.flash(saved, "/plan/history"),
            on=kept.version,
        )

    @router.get("/plan/history/{version}")
    def one(request: Request, version: RowId) -> Response:
        return _look(desk, request, version)

    @router.post("/plan/history/{version}")
    def go_back(request: Request, version: RowId, typed: TypedForm) -> Response:
        """Make an old version the newest; only from the version that was looked at."""
        found = _version(desk, version)
        kept = desk.keeper.kept()
        try:
            now = desk.keeper.put(found.text, by(request), version_of(typed) or kept.version)
        except ShowMovedOn as moved:
            return _look(desk, request, version, 409, moved.what)
        except ShowFileRefused as refused:
            said = f"This version has faults that are no longer taken: {refused.faults[0]}"
            return _look(desk, request, version, 422, said)
        let_notes_follow(desk, kept.text, found.text)
        told(request, about=f"version {version}, as {now}")
        return RedirectResponse(f"{_own(typed.get(BACK, [''])[-1])}?saved={now}", 303)

    return router


def _own(path: str) -> str:
    """A page of ours; anything else leads nowhere."""
    return path if OWN.fullmatch(path) else "/plan/history"


def _version(desk: Desk, version: int) -> ShowVersion:
    found = desk.shelf.version(version)
    if found is None:
        raise CrewMistake(f"There is no version {version} of the show.", missing=True)
    return found


def _look(
    desk: Desk, request: Request, version: int, status: int = 200, trouble: str = ""
) -> HTMLResponse:
    """Show what going back would change."""
    kept, read = desk.now()
    found = _version(desk, version)
    known = desk.shows.read(found.text)
    lines, said = compared(read, known.read) if known.read is not None else ([], "")
    return desk.page(
        request,
        "plan_version.html",
        status,
        found=found,
        when=desk.pages.moment(found.at_ms),
        lines=lines,
        said=said,
        faults=[str(each) for each in known.faults],
        trouble=trouble,
        on=kept.version,
    )


def let_notes_follow(desk: Desk, before: str, after: str) -> None:
    one, other = desk.shows.read(before).read, desk.shows.read(after).read
    if one is None or other is None:
        return
    for table, old, new in renames(one.raw, other.raw):
        if table in FOLLOWED:
            desk.notes.rename(table, old, new)


class Told:
    """What each version changed: worked out once, for it never changes."""

    def __init__(self, desk: Desk) -> None:
        self._desk, self._lock = desk, Lock()
        self._told: OrderedDict[tuple[int, int], tuple[list[Change], str]] = OrderedDict()

    def line(self, of: ShowVersion, before: ShowVersion | None, now: int) -> VersionLine:
        lines, said = self._of(of, before) if before is not None else ([], "The first version.")
        return VersionLine(
            of.version,
            self._desk.pages.moment(of.at_ms),
            of.by,
            lines[:LINES_SHOWN],
            max(0, len(lines) - LINES_SHOWN),
            said,
            of.version == now,
        )

    def _of(self, of: ShowVersion, before: ShowVersion) -> tuple[list[Change], str]:
        key = (before.version, of.version)
        with self._lock:
            found = self._told.get(key)
        if found is None:
            found = _difference(self._raw(before), self._raw(of))
            with self._lock:
                self._told[key] = found
                while len(self._told) > TOLD_KEPT:
                    self._told.popitem(last=False)
        return found

    def _raw(self, of: ShowVersion) -> ReadShow | None:
        return self._desk.shows.read(of.text).read


def _difference(before: ReadShow | None, after: ReadShow | None) -> tuple[list[Change], str]:
    if before is None or after is None:
        return [], "It cannot be told: this program does not take the file as it was."
    if before.text == after.text:
        return [], "Nothing: the same text again."
    found = changes(before.raw, after.raw)
    return found, "" if found else only_looks(before.raw, after.raw)
