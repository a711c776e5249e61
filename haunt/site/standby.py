"""What a server says while another one runs the show: who does, and how fresh that is.

Lists of what was kept are shown as ever, nothing that would be a live night; no order but signing
in is taken.
"""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from html import escape
from typing import Final, NamedTuple

from fastapi import FastAPI
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from haunt.site.hub import Hub
from haunt.site.security import HEADERS, SAFE

RETRY_S: Final = 3
READ: Final = (
    *("/static/", "/log", "/nights", "/counts", "/packs", "/help", "/manual", "/docs", "/sign-in"),
    *("/api/v1/decisions", "/api/v1/motions", "/api/v1/reports", "/api/v1/health"),
    *("/api/v1/alerts", "/api/v1/nights", "/api/v1/openapi", "/livez", "/ca.pem"),
)
ORDERS: Final = frozenset({"/sign-in", "/theme", "/clock"})
PAGE: Final = """<!doctype html>
<html lang="en" class="night"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="refresh" content="{retry_s}"><title>Standby</title>
<link rel="stylesheet" href="/static/haunt.css"></head>
<body><main><h1>Standby</h1>
<p>{said}</p>
<p>This server takes over by itself when that one is gone. It gives no orders meanwhile, and
Stop show is there, not here.</p>
<p class="row">{there}<a class="button" href="/log">Why</a>
<a class="button" href="/nights">Nights</a></p>
<p class="dim">This page looks again every {retry_s} s.</p>
</main></body></html>
"""


class Waiting(NamedTuple):
    """`owner` is its address; `age_ms` how long ago it was heard, None where nobody is known."""

    owner: str
    age_ms: int | None
    trouble: str = ""

    @property
    def said(self) -> str:
        if self.trouble:
            return f"standby; it is not known who runs the show: {self.trouble}"
        if not self.owner or self.age_ms is None:
            return "standby; nobody runs the show yet"
        return f"standby; {self.owner} runs the show, heard {self.age_ms / 1000:.1f} s ago"


class StandIn:
    """Round everything else."""

    def __init__(self, app: ASGIApp, waiting: Callable[[], Waiting]) -> None:
        self._app, self._waiting = app, waiting

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or _passes(scope["method"], scope["path"]):
            await self._app(scope, receive, send)
            return
        await self._answer(scope["path"])(scope, receive, send)

    def _answer(self, path: str) -> Response:
        found, more = self._waiting(), {**HEADERS, "retry-after": str(RETRY_S)}
        more["cache-control"] = "no-store"
        if path.startswith("/api/") or path in {"/readyz", "/healthz", "/metrics", "/stream"}:
            told = {
                "ready": False,
                "standby": True,
                "owner": found.owner,
                "age_ms": found.age_ms,
                "faults": {"standby": found.said},
            }
            return JSONResponse(told, 503, more)
        said, there = escape(found.said), ""
        if found.owner.startswith("http") and not found.trouble:
            there = f'<a class="button" href="{escape(found.owner)}">Go to the show</a> '
        page = PAGE.format(said=said[:1].upper() + said[1:], there=there, retry_s=RETRY_S)
        return HTMLResponse(page, 503, more)


def empty_app(hub: Hub) -> FastAPI:
    """For the moment in which there is no show to read yet."""

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        hub.close()

    app = FastAPI(lifespan=lifespan, docs_url=None, redoc_url=None, openapi_url=None)

    @app.get("/livez")
    async def livez() -> Response:
        return JSONResponse({"live": True, "fault": ""})

    return app


def _passes(method: str, path: str) -> bool:
    if path in ORDERS:
        return True
    return method in SAFE and path.startswith(READ)
