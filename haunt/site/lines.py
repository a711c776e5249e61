"""Pools of lines on a phone: read or listen, keep or strike by thumb, bring in, prepare more."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import APIRouter, File, Form, Query, Request, Response, UploadFile
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import is_htmx
from haunt.site.asking import by, inside, told
from haunt.site.lineports import LineBook, Pool
from haunt.site.linewords import (
    WORD,
    brought_words,
    heap_of,
    judged_words,
    lasts_s,
    running_of,
    saying_of,
)
from haunt.site.pages import Pages
from haunt.site.plan.imports import fault_words
from haunt.site.rights import OWNER
from haunt.site.view_models import Notice
from haunt.site.workports import Work, WorkState
from haunt.study.pools.pool import State
from haunt.study.pools.reading import read_lines

SHOWN: Final = 30
COUNTS: Final = (10, 20, 50)
FAULTS_SHOWN: Final = 20

Judged = Annotated[str, Form(max_length=40)]
Where = Annotated[str, Query(max_length=8)]
Was = Annotated[str, Query(max_length=40)]
Skip = Annotated[int, Query(ge=0, le=100_000)]
Count = Annotated[int, Form(ge=1, le=200)]
Pasted = Annotated[str, Form(max_length=200_000)]
TextFile = Annotated[UploadFile | None, File()]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _list(router, pages)
    _work(router, pages)
    _pool(router, pages)
    _judging(router, pages)
    _bringing(router, pages)
    return router


def _list(router: APIRouter, pages: Pages) -> None:
    book = pages.services.lines

    @router.get("/lines")
    def every(request: Request) -> HTMLResponse:
        return _every(pages, request)

    @router.post("/lines/gibberish")
    def welcome(request: Request, on: Annotated[bool, Form()] = False) -> Response:
        book.welcome(by(request), gibberish=on)
        told(request, about="welcome" if on else "not welcome")
        return RedirectResponse("/lines", 303)

    @router.post("/lines/follow")
    def follow(request: Request) -> Response:
        """Ask the show once more to say what was kept, where it could not."""
        book.follow(by(request))
        return RedirectResponse("/lines", 303)


def _every(
    pages: Pages, request: Request, status: int = 200, notice: Notice | None = None
) -> HTMLResponse:
    book = pages.services.lines
    file = book.show()
    heaps = [heap_of(file, each) for each in book.pools()]
    return pages.page(
        request,
        "lines.html",
        status,
        heaps=[heap for heap in heaps if heap.counts],
        empty=[heap for heap in heaps if not heap.counts],
        gibberish=file.info.gibberish,
        barred=file.info.barred_words,
        trouble=book.trouble,
        work=running_of(book.work()),
        is_owner=inside(request).role >= OWNER,
        notice=notice,
    )


def _work(router: APIRouter, pages: Pages) -> None:
    book = pages.services.lines

    @router.get("/lines/work")
    async def part() -> HTMLResponse:
        return pages.part("_lines_work.html", work=running_of(book.work()))

    @router.post("/lines/sounds")
    def sounds(request: Request) -> Response:
        refused = _refused(book.make_sounds())
        return _every(pages, request, 409, refused) if refused else RedirectResponse("/lines", 303)

    @router.post("/lines/cancel")
    def cancel() -> Response:
        book.cancel()
        return RedirectResponse("/lines", 303)

    @router.get("/line-sounds/{name}")
    def sound(name: str) -> Response:
        found: Path | None = book.sound(name)
        if found is None:
            raise CrewMistake("There is no sound of this line yet.", missing=True)
        headers = {"cache-control": "private, max-age=86400"}
        return FileResponse(found, media_type="audio/wav", headers=headers)


def _refused(work: Work) -> Notice | None:
    """Say why work that was asked for did not begin."""
    if work.state is WorkState.BUSY:
        return Notice("Something else is being worked out: wait for it, or cancel it.", "soon")
    return Notice(work.said, "now") if work.state is WorkState.FAILED else None


def _pool(router: APIRouter, pages: Pages) -> None:
    book = pages.services.lines

    @router.get("/lines/{prop}/{behaviour}")
    def pool(  # noqa: PLR0913, PLR0917 - one parameter a part of the address
        request: Request,
        prop: str,
        behaviour: str,
        state: Where = "",
        was: Was = "",
        skip: Skip = 0,
        added: Skip | None = None,
    ) -> HTMLResponse:
        found = book.pool(prop, behaviour)
        wanted = State(state) if state in [*State] else _first(found)
        notice = judged_words(found, was) or brought_words(added)
        return _drawn(pages, request, found, wanted, skip, notice)


def _first(pool: Pool) -> State:
    """What there is to do comes first."""
    return next((each for each in State if pool.count(each)), State.NEW)


def _drawn(  # noqa: PLR0913, PLR0917 - what a page shows
    pages: Pages,
    request: Request,
    pool: Pool,
    wanted: State,
    skip: int = 0,
    notice: Notice | None = None,
    faults: Sequence[str] = (),
    typed: str = "",
    status: int = 200,
) -> HTMLResponse:
    book = pages.services.lines
    file = book.show()
    lasting_s = lasts_s(file, pool)
    those = [each for each in pool.lines if each.line.state is wanted]
    card = those[0] if wanted is State.NEW and those else None
    listed = those[1:] if card is not None else those
    return pages.page(
        request,
        "line_pool.html",
        status,
        heap=heap_of(file, pool),
        card=saying_of(card, lasting_s) if card is not None else None,
        lines=[saying_of(each, lasting_s) for each in listed[skip : skip + SHOWN]],
        more=skip + SHOWN if len(listed) > skip + SHOWN else 0,
        before=max(0, skip - SHOWN) if skip else None,
        wanted=wanted.value,
        states=[(each.value, WORD[each], pool.count(each)) for each in State],
        gibberish=file.info.gibberish,
        waits=sum(e.line.pending and e.line.state is not State.NEW for e in pool.lines),
        trouble=book.trouble,
        work=running_of(book.work()),
        counts=COUNTS,
        faults=faults,
        typed=typed,
        notice=notice,
    )


# --- judging


def _judging(router: APIRouter, pages: Pages) -> None:
    book = pages.services.lines

    @router.post("/lines/{prop}/{behaviour}/judge")
    def judge(
        request: Request, prop: str, behaviour: str, judged: Judged, state: Where = ""
    ) -> Response:
        word, _, name = judged.partition(" ")
        if word not in [*State]:
            raise CrewMistake(f"A line is {', '.join(State)}; not {word!r}.", about="judged")
        before = book.judge(prop, behaviour, name, State(word), by(request))
        told(request, word, about=f"{prop}.{behaviour} {name}")
        back = {"was": f"{before} {name}"} | ({"state": state} if state else {})
        path = f"/lines/{prop}/{behaviour}?{urlencode(back)}"
        # The way back, which stands in a notice, is sent by the script: it is led on, too.
        headers = {"hx-redirect": path}
        return Response(headers=headers) if is_htmx(request) else RedirectResponse(path, 303)


# --- bringing in


def _bringing(router: APIRouter, pages: Pages) -> None:
    book: LineBook = pages.services.lines

    @router.post("/lines/{prop}/{behaviour}/import")
    def bring(
        request: Request,
        prop: str,
        behaviour: str,
        text: Pasted = "",
        file: TextFile = None,
    ) -> Response:
        pool = book.pool(prop, behaviour)
        name = "text"
        if file is not None and file.filename:
            name = file.filename[-60:]
            try:
                text = file.file.read().decode()
            except UnicodeDecodeError as fault:
                said = f"{name} is not UTF-8 at byte {fault.start + 1}. Allowed: text in UTF-8."
                return _drawn(pages, request, pool, _first(pool), faults=[said], status=422)
        read = read_lines(text, name)
        if read.faults:
            said_ = [fault_words(each) for each in read.faults[:FAULTS_SHOWN]]
            return _drawn(pages, request, pool, _first(pool), faults=said_, typed=text, status=422)
        added = book.add(prop, behaviour, read.entries, by(request))
        told(request, f"{added} of {len(read.entries)}", about=f"{prop}.{behaviour}")
        return RedirectResponse(f"/lines/{prop}/{behaviour}?added={added}", 303)

    @router.post("/lines/{prop}/{behaviour}/prepare")
    def prepare(request: Request, prop: str, behaviour: str, count: Count = 20) -> Response:
        pool, refused = book.pool(prop, behaviour), _refused(book.prepare(prop, behaviour, count))
        if refused:
            return _drawn(pages, request, pool, _first(pool), notice=refused, status=409)
        told(request, about=f"{prop}.{behaviour}, {count}")
        return RedirectResponse(f"/lines/{prop}/{behaviour}", 303)
