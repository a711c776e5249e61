"""Who may ask: known host names only, posts from our own pages only; headers on every answer."""

from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
DOCS_POLICY = POLICY.replace("style-src 'self'", "style-src 'self' 'unsafe-inline'")
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
}
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})


class Guard:
    """An ASGI layer. A name that is not ours may be somebody's DNS trick, so it is refused."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str]) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await PlainTextResponse(refusal, 403)(scope, receive, send)
            return
        path = scope["path"]

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                policy = DOCS_POLICY if path == "/docs" else POLICY
                out.setdefault("content-security-policy", policy)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                if not path.startswith("/static/"):
                    out.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> str | None:
        host = headers.get("host", "")
        if not self._is_ours(host):
            return f"The name {host!r} is not known here. Use the address that haunt printed."
        if scope["method"] in SAFE:
            return None
        origin = headers.get("origin") or headers.get("referer")
        if origin is None:
            # Programs send neither; browsers always send one with a post.
            return None if scope["path"].startswith("/api/") else "A post must come from our pages."
        return None if urlsplit(origin).netloc == host else "A post must come from our own pages."

    def _is_ours(self, host: str) -> bool:
        name = host.rsplit(":", 1)[0] if host.count(":") == 1 or "]" in host else host
        name = name.strip("[]").lower()
        if name == "localhost" or name in self._hosts:
            return True
        try:
            ip_address(name)
        except ValueError:
            return False
        return True
