"""The plan's pages on a real keeper and a real store in memory, and a reader of their forms."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import NamedTuple

from fastapi import FastAPI
from httpx2 import Response
from sqlalchemy import Engine, create_engine, delete, event
from sqlalchemy.pool import StaticPool
from starlette.testclient import TestClient

from haunt.bootstrap.clock import sunset_of
from haunt.live.crew import Crew
from haunt.site.app import create_app
from haunt.site.asking import HEADER
from haunt.site.doors import form_token_of
from haunt.site.hub import Hub
from haunt.site.keeper import Keeper
from haunt.site.ports import Services
from haunt.store import tables
from haunt.store.notes import NoteStore
from haunt.store.shows import ShowShelf
from haunt.store.writer import Writer
from haunt.wire.showfile import read_show
from tests.site.night import DUSK_MS, StandInDesk, StandInReader, a_night
from tests.site.stage import COOKIE, HERE, HTMX, OWN, an_entrance, secret_of
from tests.wire.shows import FULL

EXAMPLES = Path(__file__).resolve().parents[3] / "haunt" / "examples"
GARDEN = (EXAMPLES / "garden.toml").read_text(encoding="utf-8")
FAULTY = (EXAMPLES / "planted-faults.toml").read_text(encoding="utf-8")
SHOWS = {"every-key": FULL, "garden": GARDEN, "faults": FAULTY}

Fields = dict[str, list[str]]


class FormReader(HTMLParser):
    """What a browser would send of one form, as it came."""

    def __init__(self, action: str) -> None:
        super().__init__()
        self._action, self._inside = action, False
        self._select = self._area = ""
        self.fields: Fields = {}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "form":
            self._inside = given.get("action") == self._action
        if not self._inside:
            return
        name = given.get("name") or ""
        if tag == "input" and name:
            if given.get("type") not in {"checkbox", "radio"} or "checked" in given:
                self._put(name, given.get("value") or "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and "selected" in given and self._select:
            self._put(self._select, given.get("value") or "")
        elif tag == "textarea":
            self._area = name
            self._put(name, "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._inside = False
        elif tag == "select":
            self._select = ""
        elif tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        if self._area and self._inside:
            before = self.fields[self._area].pop()
            self.fields[self._area].append(before + data if before else data.removeprefix("\n"))

    def _put(self, name: str, value: str) -> None:
        self.fields.setdefault(name, []).append(value)


def form_in(html: str, action: str) -> Fields:
    reader = FormReader(action)
    reader.feed(html)
    assert reader.fields, f"there is no form that goes to {action}"
    return reader.fields


@dataclass(slots=True)
class PlanStage:
    client: TestClient
    keeper: Keeper
    desk: StandInDesk
    shelf: ShowShelf
    notes: NoteStore
    engine: Engine
    statements: list[str] = field(default_factory=list)

    def become(self, role: str) -> None:
        self.client.cookies.clear()
        self.client.headers.pop(HEADER, None)
        if role:
            self.client.cookies.set(COOKIE, secret_of(role))
            self.client.headers[HEADER] = form_token_of(secret_of(role))

    def begin(self, text: str = GARDEN, role: str = "owner") -> "PlanStage":
        """Be as at the start, with this show: an application takes longer to make than a test."""
        with self.engine.begin() as connection:
            for table in (tables.shows, tables.maintenance):
                connection.execute(delete(table))
        version = Writer(self.engine).save_show(text, "start", DUSK_MS)
        self.keeper._now = (version, read_show(text, "show"))
        self.desk.orders.clear()
        self.desk.silent = False
        self.statements.clear()
        self.become(role)
        return self

    @property
    def text(self) -> str:
        return self.keeper.toml()

    @property
    def version(self) -> int:
        return self.keeper.kept().version

    def page(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, answer.text
        return answer.text

    def form(self, path: str, action: str = "") -> Fields:
        return form_in(self.page(path), action or path)

    def post(self, path: str, fields: Mapping[str, list[str] | str], **headers: str) -> Response:
        return self.client.post(path, data=dict(fields), headers={**OWN, **headers})

    def check(self, path: str, fields: Mapping[str, list[str] | str]) -> str:
        answer = self.client.post(f"{path}/check", data=dict(fields), headers=HTMX)
        assert answer.status_code == 200, answer.text
        return answer.text

    def save(self, path: str, action: str = "", **values: str | list[str]) -> Response:
        """Open a form, type into some of its fields, save it."""
        fields = self.form(path, action)
        for name, value in values.items():
            fields[name.replace("__", ".")] = value if isinstance(value, list) else [value]
        return self.post(action or path, fields)


class Parts(NamedTuple):
    """An application with a show of its own, and what it is made of."""

    app: FastAPI
    keeper: Keeper
    desk: StandInDesk
    hub: Hub
    engine: Engine


def the_parts(text: str = GARDEN) -> Parts:
    engine = create_engine(
        "sqlite://", poolclass=StaticPool, connect_args={"check_same_thread": False}
    )
    tables.metadata.create_all(engine)
    desk, writer, hub = StandInDesk(a_night()), Writer(engine), Hub()
    crew = Crew(desk)
    version = writer.save_show(text, "start", DUSK_MS)
    read = read_show(text, "show")
    keeper = Keeper(read, crew, writer.save_show, lambda: DUSK_MS, 7, version)
    services = Services(
        crew,
        StandInReader(),
        keeper,
        hub,
        lambda: DUSK_MS,
        entrance=an_entrance(),
        sunset_of=sunset_of,
        shelf=ShowShelf(engine),
        notes=NoteStore(engine, engine),
        version="0",
    )
    return Parts(create_app(services), keeper, desk, hub, engine)


@contextmanager
def a_plan(text: str = GARDEN, role: str = "owner") -> Iterator[PlanStage]:
    parts = the_parts(text)
    engine = parts.engine
    with TestClient(
        parts.app, HERE, raise_server_exceptions=False, follow_redirects=False
    ) as client:
        shelf, notes = ShowShelf(engine), NoteStore(engine, engine)
        stage = PlanStage(client, parts.keeper, parts.desk, shelf, notes, engine)
        event.listen(
            engine, "before_cursor_execute", lambda *said: stage.statements.append(said[2])
        )
        stage.become(role)
        yield stage
    engine.dispose()
