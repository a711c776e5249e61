"""The application on an invented evening, and a client that behaves like a browser on it."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from starlette.testclient import TestClient

from haunt.live.crew import Crew
from haunt.live.views import NightView
from haunt.site.app import create_app
from haunt.site.hub import Hub
from haunt.site.ports import Services
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night

HERE = "http://127.0.0.1"
OWN = {"origin": HERE}
HTMX = {"origin": HERE, "hx-request": "true"}
PAGES = (
    "/",
    "/props/owl",
    "/log",
    "/boards",
    "/release",
    "/help",
    "/nights",
    "/manual",
    "/manual/rules",
    "/manual/wire",
    "/manual/wrong",
    "/manual/safety",
)


@dataclass(frozen=True, slots=True)
class Stage:
    desk: StandInDesk
    reader: StandInReader
    keeper: StandInKeeper
    hub: Hub
    client: TestClient


@contextmanager
def a_stage(night: NightView | None = None) -> Iterator[Stage]:
    desk, reader, hub = StandInDesk(night or a_night()), StandInReader(), Hub()
    keeper = StandInKeeper(desk)
    app = create_app(Services(Crew(desk), reader, keeper, hub, lambda: DUSK_MS, version="0"))
    with TestClient(app, HERE, raise_server_exceptions=False, follow_redirects=False) as client:
        yield Stage(desk, reader, keeper, hub, client)
