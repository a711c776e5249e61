"""Pages for people to read; what they press is in actions.py. Pages work without scripts."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from haunt.live.errors import CrewMistake
from haunt.live.views import PropView
from haunt.site.asking import caller_of, inside
from haunt.site.book.chapters import CHAPTERS, chapter_for
from haunt.site.clocks import style_of
from haunt.site.faults import FaultView
from haunt.site.fragments import Fragments, wants_of
from haunt.site.places import places_for
from haunt.site.ports import Services
from haunt.site.presenter import Presenter, tuned
from haunt.site.sensing import hands_of, sensors_of
from haunt.site.streams import LiveStream, Slots
from haunt.site.view_models import Notice

THEMES = ("night", "red", "light")
DECISIONS_SHOWN = 50

Word = Annotated[str, Query(max_length=64)]
WasSeconds = Annotated[float | None, Query(ge=0, le=86_400, allow_inf_nan=False)]


def theme_of(request: Request) -> str:
    found = request.cookies.get("theme", "")
    return found if found in THEMES else THEMES[0]


class Pages:
    """What every page is drawn with; one instance an application."""

    def __init__(self, services: Services, fragments: Fragments, templates: Environment) -> None:
        self.services, self.fragments, self.templates = services, fragments, templates

    def presenter(self) -> Presenter:
        return Presenter(self.services.crew.view())

    def prop(self, prop: str) -> PropView:
        found = self.services.crew.view().props.get(prop)
        if found is None:
            raise CrewMistake(f"There is no prop {prop!r} in this show.", missing=True)
        return found

    def page(
        self,
        request: Request,
        template: str,
        status: int = 200,
        stream: str = "bar",
        **more: object,
    ) -> HTMLResponse:
        presenter, caller = self.presenter(), inside(request)
        html = self.templates.get_template(template).render(
            {
                "path": request.url.path,
                "chapter": chapter_for(request.url.path),
                "theme": theme_of(request),
                "caller": caller,
                "role": caller.role.word,
                "presenter": presenter,
                "bar": presenter.bar(),
                "show_name": presenter.night.show_name,
                "at_ms": self.services.wall_ms(),
                "zone": presenter.zone.key,
                "clock_style": presenter.times.style,
                "outline": presenter.outline(),
                "version": self.services.version,
                "stream": stream,
                "notice": None,
                **more,
            }
        )
        return HTMLResponse(html, status, headers={"vary": "HX-Request, Cookie"})

    def part(self, template: str, **more: object) -> HTMLResponse:
        """A piece of a page that is asked for by itself."""
        return HTMLResponse(self.templates.get_template(template).render(more))

    def now(self) -> datetime:
        """To the second, where the show is."""
        return self.presenter().times.local(self.services.wall_ms())

    def moment(self, at_ms: int | None) -> str:
        """Date and time where the show is."""
        if at_ms is None:
            return "never"
        return self.presenter().times.date_and_minute(at_ms)

    def door(
        self, request: Request, template: str, status: int = 200, **more: object
    ) -> HTMLResponse:
        """A page for whoever is not in: it shows nothing of the night, and stops nothing."""
        html = self.templates.get_template(template).render(
            {
                "path": request.url.path,
                "theme": theme_of(request),
                "show_name": self.presenter().night.show_name,
                "version": self.services.version,
                **more,
            }
        )
        return HTMLResponse(html, status, headers={"vary": "Cookie"})

    def fault(self, request: Request, fault: FaultView) -> Response:
        """Satisfies `faults.FaultPage`."""
        if request.headers.get("hx-request"):
            said = Notice(f"{fault.what}: {fault.why} {fault.todo}", "now")
            return HTMLResponse(self.fragments.notice(said), fault.status)
        if caller_of(request) is None:
            return self.door(request, "shut.html", fault.status, fault=fault)
        return self.page(request, "fault.html", fault.status, fault=fault)

    def prop_page(
        self, request: Request, prop: str, status: int = 200, notice: Notice | None = None
    ) -> HTMLResponse:
        view, presenter = self.prop(prop), self.presenter()
        found = self.services.reader.decisions(prop=prop, newest=True, limit=DECISIONS_SHOWN)
        board = presenter.night.boards.get(view.board)
        return self.page(
            request,
            "prop.html",
            status,
            f"prop-{prop}",
            prop=view,
            card=presenter.card(view),
            tune=presenter.tune(view),
            sensors=sensors_of(presenter, view),
            hands=hands_of(view),
            board=presenter.board(board) if board is not None else None,
            entries=[presenter.entry(each) for each in reversed(found.items)],
            notice=notice,
        )


def routes(pages: Pages, slots: Slots) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _live_pages(router, pages, slots)
    return router


def _live_pages(router: APIRouter, pages: Pages, slots: Slots) -> None:
    hub = pages.services.hub

    @router.get("/")
    async def tonight(request: Request) -> HTMLResponse:
        presenter = pages.presenter()
        cards = [presenter.card(each) for each in presenter.night.props.values()]
        return pages.page(request, "tonight.html", stream="tonight", cards=cards)

    @router.get("/alerts")
    async def alerts_page(request: Request) -> HTMLResponse:
        return pages.page(request, "alerts.html", stream="alerts")

    @router.get("/stream")
    async def stream(request: Request, page: Word = "bar") -> Response:
        if slots.full:
            return Response("Too many pages are open.", 503)
        wants, style = wants_of(page), style_of(request)
        return LiveStream(slots, lambda: hub.join(wants, style), hub.listen, hub.leave)

    @router.get("/props/{prop}")
    def prop_page(request: Request, prop: str, was_s: WasSeconds = None) -> HTMLResponse:
        """Show one prop; `was_s` comes with the way back from a change of its cooldown."""
        notice = tuned(pages.prop(prop), f"{was_s:g}") if was_s is not None else None
        return pages.prop_page(request, prop, notice=notice)

    @router.get("/boards")
    async def boards_page(request: Request) -> HTMLResponse:
        presenter = pages.presenter()
        boards = [presenter.board(each) for each in presenter.night.boards.values()]
        return pages.page(request, "boards.html", stream="boards", boards=boards)

    @router.get("/release")
    async def release_page(request: Request) -> HTMLResponse:
        armed = [each.name for each in pages.presenter().night.props.values() if each.arm_by_hand]
        return pages.page(request, "release.html", armed=armed)

    @router.get("/help")
    async def help_page(request: Request) -> HTMLResponse:
        places = places_for(inside(request).role)
        return pages.page(request, "help.html", places=places, chapters=CHAPTERS.items())
