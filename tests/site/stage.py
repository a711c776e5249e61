"""The application on an invented evening, and a client that behaves like a browser on it.

Mara is owner, Jory crew, Wren watches; whoever the stage is for is signed in already.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from sqlalchemy import create_engine
from sqlalchemy.pool import StaticPool
from starlette.testclient import TestClient

from haunt.live.crew import Crew
from haunt.live.views import NightView
from haunt.site.app import create_app
from haunt.site.asking import HEADER
from haunt.site.doors import form_token_of
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.passwords import Passwords
from haunt.site.ports import Services
from haunt.site.rights import Role
from haunt.store.people import PeopleStore
from haunt.store.roster import Opening, Token, hash_of
from haunt.store.tables import metadata
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night

HERE = "http://127.0.0.1"
OWN = {"origin": HERE}
HTMX = {"origin": HERE, "hx-request": "true"}
PAGES = (
    "/",
    "/props/owl",
    "/log",
    "/boards",
    "/boards/b-owl",
    "/keep",
    "/manual/security",
    "/release",
    "/help",
    "/nights",
    "/manual/rules",
    "/account",
    "/people",
    "/people/2",
    "/logbook",
)
COOKIE = "haunt-80"
NAMES = {"owner": "Mara", "crew": "Jory", "watch": "Wren"}
"""Ids 1, 2 and 3 of person, session and token, in this order."""


@dataclass(slots=True)
class StandInClock:
    """Satisfies `live.ports.Clock`; a test turns it on."""

    wall: int = DUSK_MS
    mono: int = 1_000_000

    def mono_ms(self) -> int:
        return self.mono

    def wall_ms(self) -> int:
        return self.wall

    def on(self, ms: int) -> None:
        self.wall, self.mono = self.wall + ms, self.mono + ms


def a_store() -> PeopleStore:
    """The real one, in memory."""
    engine = create_engine(
        "sqlite://", poolclass=StaticPool, connect_args={"check_same_thread": False}
    )
    metadata.create_all(engine)
    return PeopleStore(engine, engine)


def secret_of(role: str) -> str:
    """The session's secret of whoever has that role on this stage."""
    return f"a-secret-of-{role}"


def token_of(role: str) -> str:
    """The token of a program of that role on this stage."""
    return f"haunt_of-{role}"


def an_entrance(
    clock: StandInClock | None = None,
    guest: Role | None = None,
    store: PeopleStore | None = None,
    passwords: Passwords | None = None,
) -> Entrance:
    clock, store = clock or StandInClock(), store or a_store()
    for person, (role, name) in enumerate(NAMES.items(), 1):
        assert store.add_person(name, role, "", DUSK_MS) == person
        opening = Opening(hash_of(secret_of(role)), DUSK_MS, "192.0.2.7", "a test")
        store.open_session(person, opening)
        known, prefix = hash_of(token_of(role)), token_of(role)[:12]
        store.add_token(Token(0, known, prefix, "bench", role, DUSK_MS, None, None, "Mara"))
    found = Entrance(store, clock, guest, passwords)
    found.doors.look(again=True)
    return found


@dataclass(frozen=True, slots=True)
class Stage:
    desk: StandInDesk
    reader: StandInReader
    keeper: StandInKeeper
    hub: Hub
    client: TestClient
    entrance: Entrance
    clock: StandInClock = field(default_factory=StandInClock)

    def become(self, role: str) -> None:
        """Be somebody else from now on; nobody with an empty role."""
        self.client.cookies.clear()
        self.client.headers.pop("authorization", None)
        self.client.headers.pop(HEADER, None)
        if role:
            self.client.cookies.set(COOKIE, secret_of(role))
            self.client.headers[HEADER] = form_token_of(secret_of(role))

    def show_token(self, role: str = "owner") -> None:
        """Be a program from now on: a token, no cookie, no origin."""
        self.become("")
        self.client.headers["authorization"] = f"Bearer {token_of(role)}"


@contextmanager
def a_stage(
    night: NightView | None = None,
    role: str = "owner",
    guest: Role | None = None,
    store: PeopleStore | None = None,
    dressed: Callable[[Services], Services] = lambda plain: plain,
    client: tuple[str, int] = ("testclient", 50_000),
) -> Iterator[Stage]:
    """`dressed` puts other parts into the services before the application is made of them."""
    desk, reader, hub = StandInDesk(night or a_night()), StandInReader(), Hub()
    keeper, clock = StandInKeeper(desk), StandInClock()
    entrance = an_entrance(clock, guest, store)
    services = Services(
        Crew(desk), reader, keeper, hub, lambda: DUSK_MS, entrance=entrance, version="0"
    )
    app = create_app(dressed(services))
    with TestClient(
        app, HERE, raise_server_exceptions=False, follow_redirects=False, client=client
    ) as browser:
        stage = Stage(desk, reader, keeper, hub, browser, entrance, clock)
        stage.become(role)
        yield stage
        entrance.passwords.close()
