"""The page of findings alone, as an application: its router, and somebody who may see it."""

from fastapi import FastAPI
from starlette.types import ASGIApp, Receive, Scope, Send

from haunt.bootstrap.clock import sunset_of
from haunt.live.crew import Crew
from haunt.site.asking import CALLER, form_token
from haunt.site.assets import Static
from haunt.site.doors import Caller
from haunt.site.findings import books, routes
from haunt.site.fragments import Fragments, environment
from haunt.site.hub import Hub
from haunt.site.pages import Pages
from haunt.site.ports import Services
from haunt.site.rights import Role
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import an_entrance


class KeeperOf(StandInKeeper):
    """Keeps one text, and counts how often it was asked for."""

    text = ""
    asked = 0

    def toml(self) -> str:
        self.asked += 1
        return self.text


class LetIn:
    """Stands for the gate: everybody is Wren, who may watch."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope[CALLER] = Caller("person", "Wren", Role.WATCH)
        await self._app(scope, receive, send)


def an_app(text: str) -> tuple[FastAPI, KeeperOf]:
    desk = StandInDesk(a_night())
    keeper = KeeperOf(desk)
    keeper.text = text
    crew, templates = Crew(desk), environment()
    templates.globals["form_token"] = form_token
    services = Services(
        crew, StandInReader(), keeper, Hub(), lambda: DUSK_MS, entrance=an_entrance(), version="0"
    )
    pages = Pages(services, Fragments(crew, templates, services.wall_ms), templates)
    app = FastAPI()
    app.include_router(routes(pages, books(sunset_of)))
    app.mount("/static", Static(), name="static")
    app.add_middleware(LetIn)
    return app, keeper
