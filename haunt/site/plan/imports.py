"""A whole show file comes in: first looked at beside what is kept, then taken, all or nothing."""

import base64
import zlib
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from starlette.datastructures import UploadFile

from haunt.live.errors import CrewMistake
from haunt.site.asking import by, told
from haunt.site.plan.desk import Desk, TypedForm, compared, version_of
from haunt.site.plan.history import let_notes_follow
from haunt.site.plan.overview import counts_of
from haunt.site.ports import ShowMovedOn
from haunt.wire.showerrors import Fault
from haunt.wire.showfile import SHOW_CHARS_MAX

FAULTS_SHOWN: Final = 50
LINES_SHOWN: Final = 200
ANOTHER: Final = (
    "show.id is {!r}. Allowed: {!r}, which this server runs: write that into the file. Another "
    "show has a folder of its own: haunt serve --data FOLDER --show FILE."
)


async def sent(request: Request) -> bytes:
    """The file that was chosen, else what was pasted, with the line ends of a file."""
    async with request.form() as form:
        file, text = form.get("file"), form.get("text")
        if isinstance(file, UploadFile) and file.filename:
            return await file.read()
    return text.replace("\r\n", "\n").encode() if isinstance(text, str) else b""


def routes(desk: Desk) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/plan/import")
    def ask(request: Request) -> Response:
        return desk.page(request, "plan_import.html", faults=[], more=0, text="")

    @router.post("/plan/import")
    def look(request: Request, body: Annotated[bytes, Depends(sent)]) -> Response:
        try:
            text = body.decode()
        except UnicodeDecodeError as fault:
            said = f"It is not UTF-8 at byte {fault.start + 1}. Allowed: a text file in UTF-8."
            return desk.page(request, "plan_import.html", 422, faults=[said], more=0, text="")
        return _preview(desk, request, text)

    @router.post("/plan/import/take")
    def take(request: Request, typed: TypedForm) -> Response:
        text = unpacked(typed.get("packed", [""])[-1])
        before = desk.keeper.kept()
        try:
            version = desk.keeper.put(text, by(request), version_of(typed) or 0)
        except ShowMovedOn as moved:
            return _preview(desk, request, text, 409, moved.what)
        let_notes_follow(desk, before.text, text)
        told(request, about=f"version {version}")
        return RedirectResponse(f"/plan?saved={version}", 303)

    return router


def _preview(
    desk: Desk, request: Request, text: str, status: int = 200, trouble: str = ""
) -> Response:
    kept, read = desk.now()
    known = desk.shows.read(text)
    faults = [fault_words(each) for each in known.faults]
    if known.read is not None and known.read.show.info.id != read.show.info.id:
        faults = [ANOTHER.format(known.read.show.info.id, read.show.info.id)]
    if known.read is None or faults:
        more = max(0, len(faults) - FAULTS_SHOWN)
        shown = {"faults": faults[:FAULTS_SHOWN], "more": more, "text": text}
        return desk.page(request, "plan_import.html", 422, **shown)
    lines, said = compared(read, known.read)
    return desk.page(
        request,
        "plan_preview.html",
        status,
        lines=lines[:LINES_SHOWN],
        more=max(0, len(lines) - LINES_SHOWN),
        counts=_counts([each.kind for each in lines]),
        said=said,
        sums=counts_of(desk.shows.book(known.read)),
        sums_now=counts_of(desk.shows.book(read)),
        is_same=read.text == text,
        packed=packed(text),
        trouble=trouble,
        on=kept.version,
    )


def fault_words(fault: Fault) -> str:
    place = f"Line {fault.line}, " if fault.line else ""
    return f"{place}{fault.key} {fault.what}. Allowed: {fault.allowed}."


def _counts(kinds: list[str]) -> list[tuple[str, int]]:
    return [(each, kinds.count(each)) for each in ("added", "removed", "changed") if each in kinds]


# --- a text through a form field, which would change its line ends


def packed(text: str) -> str:
    return base64.urlsafe_b64encode(zlib.compress(text.encode())).decode()


def unpacked(field: str) -> str:
    """Raises CrewMistake for what `packed` did not make."""
    try:
        inflate = zlib.decompressobj()
        text = inflate.decompress(base64.urlsafe_b64decode(field), 4 * SHOW_CHARS_MAX).decode()
    except (ValueError, zlib.error) as fault:
        raise CrewMistake("The file did not arrive whole: look at it again.") from fault
    if not inflate.eof:
        raise CrewMistake(f"The file is longer than {SHOW_CHARS_MAX} characters.")
    return text
