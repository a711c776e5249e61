"""Where templates and static files are: in the checkout, or beside the package when installed."""

from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Final

from fastapi.staticfiles import StaticFiles
from starlette.responses import Response
from starlette.types import Scope

JOINED: Final = {"page.js": ("htmx.min.js", "hx-sse.min.js", "haunt.js")}
"""Files that go out as one, in this order, so that a page asks once and a stream finds both."""


def web_folder() -> Path:
    package = Path(__file__).resolve().parent.parent
    installed = package / "_web"
    return installed if installed.is_dir() else package.parent / "web"


@cache
def content(name: str) -> bytes:
    folder = web_folder() / "static"
    return b";\n".join((folder / each).read_bytes() for each in JOINED.get(name, (name,)))


@cache
def static_url(name: str) -> str:
    """Return an address that changes with the file, so that phones may keep it for good."""
    return f"/static/{name}?v={sha256(content(name)).hexdigest()[:10]}"


class Static(StaticFiles):
    """The static files, and those that are joined of several."""

    def __init__(self) -> None:
        super().__init__(directory=web_folder() / "static")

    async def get_response(self, path: str, scope: Scope) -> Response:
        if path in JOINED and scope["method"] in {"GET", "HEAD"}:
            return Response(content(path), media_type="text/javascript")
        return await super().get_response(path, scope)
