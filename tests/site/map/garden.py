"""A keeper of one show text that checks and numbers versions, and a stage that shows its map."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from starlette.testclient import TestClient

from haunt.bootstrap.clock import sunset_of
from haunt.live.crew import Crew
from haunt.site.app import create_app
from haunt.site.asking import HEADER
from haunt.site.doors import form_token_of
from haunt.site.hub import Hub
from haunt.site.ports import KeptShow, Services, ShowMovedOn, ShowRefused
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show, show_to_json
from haunt.wire.showmodels import ShowFile
from tests.site.night import DUSK_MS, StandInDesk, StandInReader, a_night
from tests.site.stage import COOKIE, HERE, an_entrance, secret_of

EXAMPLES = Path(__file__).parents[3] / "haunt" / "examples"
HTMX = {"origin": HERE, "hx-request": "true"}
OWN = {"origin": HERE}


def example(name: str = "garden") -> str:
    return (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")


@dataclass(slots=True)
class TextKeeper:
    """Satisfies `ports.ShowKeeper` on a list of texts; the last is the newest."""

    texts: list[str] = field(default_factory=lambda: [example()])
    by: list[str] = field(default_factory=list)
    quicker: str = ""
    """A text that somebody else keeps just before the next `put`."""

    @property
    def show(self) -> ShowFile:
        return read_show(self.texts[-1], "show").show

    def toml(self) -> str:
        return self.texts[-1]

    def kept(self) -> KeptShow:
        return KeptShow(len(self.texts), self.texts[-1])

    def as_json(self) -> dict[str, object]:
        return show_to_json(self.show)

    def put(self, text: str, by: str, on: int | None = None) -> int:
        if self.quicker:
            self.texts.append(self.quicker)
            self.quicker = ""
        if on is not None and on != len(self.texts):
            raise ShowMovedOn(len(self.texts))
        try:
            read_show(text, "show")
        except ShowFileRefused as refused:
            raise ShowRefused(refused.faults) from refused
        self.texts.append(text)
        self.by.append(by)
        return len(self.texts)

    def patch_prop(self, prop: str, values: dict[str, object], by: str) -> int:
        raise NotImplementedError


@dataclass(frozen=True, slots=True)
class Garden:
    client: TestClient
    keeper: TextKeeper

    def become(self, role: str) -> None:
        self.client.cookies.clear()
        self.client.cookies.set(COOKIE, secret_of(role))
        self.client.headers[HEADER] = form_token_of(secret_of(role))

    def post(self, path: str, **fields: str) -> tuple[int, str]:
        """Return the status, and the address it leads to or the page."""
        answer = self.client.post(path, data=fields, headers=OWN)
        return answer.status_code, answer.headers.get("location", answer.text)


def services_of(keeper: TextKeeper) -> Services:
    desk = StandInDesk(a_night())
    return Services(
        Crew(desk),
        StandInReader(),
        keeper,
        Hub(),
        lambda: DUSK_MS,
        entrance=an_entrance(),
        sunset_of=sunset_of,
        version="0",
    )


@contextmanager
def a_garden(text: str | None = None, role: str = "owner") -> Iterator[Garden]:
    keeper = TextKeeper([example() if text is None else text])
    services = services_of(keeper)
    app = create_app(services)
    with TestClient(app, HERE, raise_server_exceptions=False, follow_redirects=False) as client:
        garden = Garden(client, keeper)
        garden.become(role)
        yield garden
        services.entrance.passwords.close()
