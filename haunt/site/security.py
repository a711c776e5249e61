"""Who may ask: known host names only, changes from our own pages only; headers on every answer."""

import re
from collections.abc import Awaitable, Callable
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "media-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    # Not no-referrer: under that policy browsers send `Origin: null` with a form.
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
BODY_MAX = 1 << 20
LENGTH = re.compile(r"[0-9]{1,20}")

Refuse = Callable[[Scope, int, str], Awaitable[ASGIApp]]
"""Makes the answer that refuses a request: status, and why in words."""


class BodyTooLarge(Exception):  # noqa: N818 - the word says what happened
    """More came than a show file can be."""


class Guard:
    """The outermost layer. A name that is not ours may be somebody's DNS trick: refused."""

    def __init__(self, app: ASGIApp, hosts: frozenset[str], refuse: Refuse) -> None:
        self._app, self._hosts, self._refuse = app, hosts, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        keep = scope["path"].startswith("/static/") and b"v=" in scope["query_string"]

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                kept = "public, max-age=31536000, immutable" if keep else "no-store"
                out.setdefault("cache-control", kept)
            await send(message)

        refused = self._refusal(scope, headers)
        if refused is not None:
            answer = await self._refuse(scope, *refused)
            await answer(scope, receive, send_with_headers)
            return
        await self._app(scope, _measured(receive), send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        host = headers.get("host", "")
        if not self._is_ours(host):
            return 400, f"The name {host!r} is not known here. Use the address that haunt printed."
        if scope["method"] in SAFE:
            return None
        length = headers.get("content-length", "0")
        if LENGTH.fullmatch(length) is None or int(length) > BODY_MAX:
            return 413, f"At most {BODY_MAX} bytes can be sent."
        origin = headers.get("origin") or headers.get("referer")
        if origin is None:
            # Programs send neither. A browser sends one with every form, and cookies with it; a
            # token it sends to nobody, unless a script of the same origin tells it to.
            has_no_cookie = "cookie" not in headers or "authorization" in headers
            is_program = scope["path"].startswith("/api/") and has_no_cookie
            return None if is_program else (403, "Changes must come from our own pages.")
        if _is_same(origin, scope["scheme"], host):
            return None
        return 403, f"Changes must come from our own pages, not from {origin!r}."

    def _is_ours(self, host: str) -> bool:
        """An address in digits cannot be a DNS trick; a name must be one of ours."""
        name = host.rsplit(":", 1)[0] if host.count(":") == 1 or "]:" in host else host
        name = name.strip("[]").lower().rstrip(".")
        if name == "localhost" or name in self._hosts:
            return True
        try:
            ip_address(name)
        except ValueError:
            return False
        return True


def _is_same(origin: str, scheme: str, host: str) -> bool:
    """Whether a page came from where this request goes.

    Whoever is between can make a page of ours over plain http. Not the other way round: TLS may
    end at somebody else's front, and only plain http come to us.
    """
    try:
        came = urlsplit(origin)
    except ValueError:  # such as http://[
        return False
    is_lowered = scheme == "https" and came.scheme == "http"
    return came.netloc.lower() == host.lower() and not is_lowered


def _measured(receive: Receive) -> Receive:
    """Count a body that came without its length."""
    came = 0

    async def measured() -> Message:
        nonlocal came
        message = await receive()
        came += len(message.get("body", b""))
        if came > BODY_MAX:
            raise BodyTooLarge
        return message

    return measured
