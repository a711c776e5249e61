"""A keeper of one show text that checks and numbers versions, and a stage that shows its map."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from starlette.testclient import TestClient

from haunt.bootstrap.clock import sunset_of
from haunt.live.crew import Crew
from haunt.site.app import create_app
from haunt.site.asking import HEADER
from haunt.site.doors import form_token_of
from haunt.site.hub import Hub
from haunt.site.ports import Services
from haunt.wire.showfile import read_show, show_to_json
from haunt.wire.showmodels import ShowFile
from tests.site.night import DUSK_MS, StandInDesk, StandInReader, a_night
from tests.site.shelf import Shelf
from tests.site.stage import COOKIE, HERE, an_entrance, secret_of

EXAMPLES = Path(__file__).parents[3] / "haunt" / "examples"
HTMX = {"origin": HERE, "hx-request": "true"}
OWN = {"origin": HERE}


def example(name: str = "garden") -> str:
    return (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")


class TextKeeper(Shelf):
    """A shelf that holds the garden where nothing else is said."""

    def __init__(self, text: str | None = None) -> None:
        super().__init__(example() if text is None else text)
        self.quicker = ""
        """A text that somebody else keeps just before the next `put`."""

    @property
    def show(self) -> ShowFile:
        return read_show(self.versions[-1], "show").show

    def as_json(self) -> dict[str, object]:
        return show_to_json(self.show)

    def put(self, text: str, by: str, on: int | None = None) -> int:
        if self.quicker:
            self.versions.append(self.quicker)
            self.quicker = ""
        return super().put(text, by, on)


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
    keeper = TextKeeper(text)
    services = services_of(keeper)
    app = create_app(services)
    with TestClient(app, HERE, raise_server_exceptions=False, follow_redirects=False) as client:
        garden = Garden(client, keeper)
        garden.become(role)
        yield garden
        services.entrance.passwords.close()
