"""The real program in this process, with an evening in its journal, asked without a socket."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send

from haunt.bootstrap.front import Front, Turns
from haunt.bootstrap.server import Run, _build
from haunt.config import Config
from haunt.site.rights import Role
from haunt.store.engines import open_engines
from haunt.store.people import PeopleStore
from tests.bootstrap.packnight import FROM_MS, lay

HERE = "http://127.0.0.1"
FILLED = {
    "prop": "gatekeeper",
    "board": "well",
    "day": "2026-10-30",
    "chapter": "rules",
    "kind": "motion",
    "version": "1",
    "table": "prop",
    "row": "gatekeeper",
    "person": "1",
    "backup": "none",
    "path:path": "haunt.css",
}
_asked: ContextVar[list[str] | None] = ContextVar("asked", default=None)


def filled(path: str) -> str:
    for name, value in FILLED.items():
        path = path.replace(f"{{{name}}}", value)
    return path


@dataclass(slots=True)
class Site:
    client: TestClient
    statements: list[str] = field(default_factory=list)

    def ask(self, path: str, **more: Any) -> tuple[int, list[str]]:
        """Return the status, and the statements that this request alone made in any thread."""
        self.statements.clear()
        status = self.client.get(path, **more).status_code
        return status, list(self.statements)


class Listening:
    """Round the whole application: what is asked in a request's context is its own."""

    def __init__(self, app: ASGIApp, said: list[str]) -> None:
        self._app, self._said = app, said

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        token = _asked.set(self._said if scope["type"] == "http" else None)
        try:
            await self._app(scope, receive, send)
        finally:
            _asked.reset(token)


def _note(_c: object, _cursor: object, statement: str, *_rest: object) -> None:
    said = _asked.get()
    if said is not None:
        said.append(" ".join(statement.split()))


@contextmanager
def the_whole_site(data: Path) -> Iterator[Site]:
    lay(data, 2.5)
    writing, reading = open_engines(data)
    PeopleStore(writing, reading).add_person("Mara", "owner", "", FROM_MS)
    writing.dispose()
    reading.dispose()
    config = Config(data, "127.0.0.1", 0, "127.0.0.1", 0, "auto", "", None)
    event.listen(Engine, "before_cursor_execute", _note)
    with ExitStack() as ending:
        ending.callback(event.remove, Engine, "before_cursor_execute", _note)
        front = Front(config)
        ending.callback(front.close)
        run = Run(config, front, Turns(), lambda _line: None, Role.OWNER)
        app, _account, _set_up = _build(run, ending)
        said: list[str] = []
        client = TestClient(Listening(app, said), HERE, follow_redirects=False)
        with client:
            yield Site(client, said)
