"""Pools of lines on a phone: read or listen, keep or strike by thumb, bring in, prepare more."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Final, NamedTuple
from urllib.parse import urlencode

from fastapi import APIRouter, File, Form, Query, Request, Response, UploadFile
from fastapi.responses import FileResponse, HTMLResponse, RedirectResponse

from haunt.live.errors import CrewMistake
from haunt.site.actions import is_htmx
from haunt.site.asking import by, inside, told
from haunt.site.lineports import Line, LineBook, Pool
from haunt.site.pages import Pages
from haunt.site.plan.imports import fault_words
from haunt.site.rights import OWNER
from haunt.site.view_models import Act, Notice
from haunt.site.workports import Work, WorkState
from haunt.study.pools.pool import PoolLine, State
from haunt.study.pools.reading import read_lines
from haunt.wire.showmodels import ShowFile

SHOWN: Final = 30
COUNTS: Final = (10, 20, 50)
FAULTS_SHOWN: Final = 20
SHORT: Final = 60
WORD: Final = {State.NEW: "New", State.KEPT: "Kept", State.STRUCK: "Struck"}
SOURCES: Final = {"import": "brought in", "prepared": "prepared", "show file": "from the show file"}

Judged = Annotated[str, Form(max_length=40)]
Where = Annotated[str, Query(max_length=8)]
Was = Annotated[str, Query(max_length=40)]
Skip = Annotated[int, Query(ge=0, le=100_000)]
Count = Annotated[int, Form(ge=1, le=200)]
Pasted = Annotated[str, Form(max_length=200_000)]
TextFile = Annotated[UploadFile | None, File()]


class Saying(NamedTuple):
    """One line as it is printed; `notes` are what somebody should know before keeping it."""

    name: str
    text: str
    state: str
    facts: str
    notes: tuple[str, ...]
    has_sound: bool


class Heap(NamedTuple):
    """One behaviour with its counts, as it is listed; states without a line are left out."""

    href: str
    name: str
    behaviour: str
    counts: tuple[tuple[str, int], ...]


class Running(NamedTuple):
    """Long work as it stands."""

    is_running: bool
    percent: int
    said: str


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
    heaps = [_heap(file, each) for each in book.pools()]
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
        template = pages.templates.get_template("_lines_work.html")
        return HTMLResponse(template.render(work=running_of(book.work())))

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
        notice = _judged(found, was) or _brought(added)
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
    file, lasts_s = book.show(), _lasts_s(book.show(), pool)
    those = [each for each in pool.lines if each.line.state is wanted]
    card = those[0] if wanted is State.NEW and those else None
    listed = those[1:] if card is not None else those
    return pages.page(
        request,
        "line_pool.html",
        status,
        heap=_heap(file, pool),
        card=_saying(card, lasts_s) if card is not None else None,
        lines=[_saying(each, lasts_s) for each in listed[skip : skip + SHOWN]],
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


def _heap(file: ShowFile, pool: Pool) -> Heap:
    names = {each.id: each.name or each.id for each in file.props}
    return Heap(
        f"/lines/{pool.prop}/{pool.behaviour}",
        names.get(pool.prop, pool.prop),
        pool.behaviour,
        tuple((WORD[each].lower(), count) for each in State if (count := pool.count(each))),
    )


def _lasts_s(file: ShowFile, pool: Pool) -> float:
    return next(
        each.duration_ms / 1000
        for prop in file.props
        for each in prop.behaviours
        if (prop.id, each.id) == (pool.prop, pool.behaviour)
    )


def _saying(each: Line, lasts_s: float) -> Saying:
    line = each.line
    facts = [f"{each.seconds:.1f} s" + ("" if each.has_sound else ", reckoned")]
    if line.intensity is not None:
        facts.append(f"intensity {line.intensity}")
    facts.append(SOURCES.get(line.source, line.source))
    notes = []
    if each.seconds > lasts_s:
        notes.append(f"Longer than {line.behaviour}, which ends after {lasts_s:g} s.")
    if each.is_barred:
        notes.append("Has a barred word: not said in gentle phases.")
    return Saying(
        line.name, line.text, WORD[line.state], ", ".join(facts), tuple(notes), each.has_sound
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


def _judged(pool: Pool, was: str) -> Notice | None:
    """Say what was just judged, and offer the way back."""
    before, _, name = was.partition(" ")
    now = next((each.line for each in pool.lines if each.line.name == name), None)
    if now is None or before not in [*State] or before == now.state:
        return None
    path = f"/lines/{pool.prop}/{pool.behaviour}/judge"
    return Notice(
        f"{WORD[now.state]}: {_short(now)}",
        undo=Act(path, "Undo"),
        undo_name="judged",
        undo_value=f"{before} {name}",
    )


def _short(line: PoolLine) -> str:
    cut = f"{line.text[: SHORT - 1]}\N{HORIZONTAL ELLIPSIS}"
    return line.text if len(line.text) <= SHORT else cut


def _brought(added: int | None) -> Notice | None:
    if added is None:
        return None
    if not added:
        return Notice("Nothing was new: this pool has all of them, or you struck them.", "soon")
    return Notice(f"{added} new {'line' if added == 1 else 'lines'} to keep or strike.")


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


def running_of(work: Work | None) -> Running | None:
    """Say how far it is; what is done says what came of it."""
    if work is None:
        return None
    if work.state is WorkState.DONE:
        lines = work.output.strip().splitlines()
        said = lines[0] if len(lines) == 1 else f"{len(lines)} lines prepared"
        return Running(is_running=False, percent=100, said=f"Done: {said}.")
    if work.state is WorkState.FAILED:
        return Running(is_running=False, percent=0, said=f"It failed: {work.said}.")
    said = f"{work.done} of {work.total}" if work.total else "starting"
    return Running(is_running=True, percent=work.percent, said=said)
