"""The gate: nothing passes that the table of rights does not name, nobody without the role.

It asks memory only. A change needs a token that our own pages hold, and leaves a line in the log.
"""

import hmac
import re
from collections.abc import Mapping
from typing import Final
from urllib.parse import parse_qs, quote

from fastapi import Request, Response
from fastapi.responses import RedirectResponse
from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from haunt.site.asking import (
    ABOUT,
    CALLER,
    FIELD,
    HEADER,
    RESULT,
    WHO,
    address_of,
    cookie_name,
    set_form_token,
    unmasked,
)
from haunt.site.clocks import choose, style_of
from haunt.site.doors import Caller
from haunt.site.entrance import Entrance
from haunt.site.faults import Faults
from haunt.site.rights import CAN, Found, Right, Role, find
from haunt.site.security import SAFE
from haunt.store.roster import Deed

FORM_MAX: Final = 65_536
FORM_TYPE: Final = "application/x-www-form-urlencoded"
PARTS_TYPE: Final = "multipart/form-data"
BEARER_PATHS: Final = ("/api/", "/metrics", "/stream", "/readyz", "/healthz")
NEVER_SENT_ON: Final = frozenset({"/stream", "/metrics"})
NO_SESSION: Final = "You are not signed in, or your session has ended."
UNLOGGED: Final = frozenset({"theme", "plan looked at"})
ABOUT_MAX, RESULT_MAX = 128, 160
FIRST_PART: Final = re.compile(
    rb"--[^\r\n]{1,200}\r\n"
    rb'content-disposition: form-data; name="form_token"\r\n\r\n([^\r\n]{0,200})\r\n',
    re.IGNORECASE,
)
"""Of a form with files: our forms begin with the token, so that no file is read to find it."""


class _LeftEarly(Exception):  # noqa: N818 - the word says what happened
    """Whoever listens to an answer that goes on and on may do so no more."""


class Gate:
    """Inside the guard of names and origins, round everything else."""

    def __init__(self, app: ASGIApp, entrance: Entrance, faults: Faults) -> None:
        self._app, self._entrance, self._faults = app, entrance, faults
        self._doors = entrance.doors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope, receive)
        found = find(scope["method"], scope["path"])
        caller = self._caller(request)
        if caller is None and _could_be_new(request, found):
            await self._entrance.news()
            caller = self._caller(request)
        scope[CALLER] = caller
        set_form_token(caller.form_token if caller is not None else "")
        choose(style_of(request))
        refused = self._refusal(request, found, caller)
        if refused is None and _wants_token(request, found, caller):
            receive, sent = await _form(request.headers, receive)
            if caller is not None and not _is_shown(sent, caller):
                refused = self._forged(request)
        noted = self._noted(scope, found, caller, send)
        if refused is not None:
            await refused(scope, receive, noted)
            return
        try:
            await self._app(scope, receive, noted)
        except _LeftEarly:
            await send({"type": "http.response.body", "body": b"", "more_body": False})

    # --- who

    def _caller(self, request: Request) -> Caller | None:
        """Whoever shows a token is that token or nobody."""
        shown = request.headers.get("authorization")
        if shown is not None and request.scope["path"].startswith(BEARER_PATHS):
            scheme, _, secret = shown.partition(" ")
            return self._doors.by_bearer(secret.strip()) if scheme.lower() == "bearer" else None
        cookie = request.cookies.get(cookie_name(request), "")
        found = self._doors.by_cookie(cookie) if cookie else None
        return found or self._doors.guest

    def _refusal(self, request: Request, found: Found, caller: Caller | None) -> Response | None:
        right = found.right
        if right is not None and right.least is Role.NOBODY:
            return None
        if caller is None:
            return self._sent_to_sign_in(request)
        if right is None:
            return self._nothing(request, found)
        if caller.role >= right.least:
            return None
        who = f"{caller.by}, and in the role of {caller.role.word}"
        return self._faults.answer(
            request,
            403,
            f"Only for {right.least.word}",
            f"You are {who}, which {CAN[caller.role]}; this needs {right.least.word}.",
            "Ask an owner for that role, or go back to Tonight.",
        )

    def _sent_to_sign_in(self, request: Request) -> Response:
        path, query = request.url.path, request.url.query
        is_page = request.method in SAFE and not path.startswith("/api/")
        if is_page and path not in NEVER_SENT_ON and "hx-request" not in request.headers:
            back = quote(f"{path}?{query}" if query else path, safe="")
            return RedirectResponse(f"/sign-in?next={back}" if back != "%2F" else "/sign-in", 303)
        answer = self._faults.answer(
            request, 401, "Sign in first", NO_SESSION, "Sign in, then do it again."
        )
        answer.headers["www-authenticate"] = 'Bearer realm="haunt"'
        return answer

    def _nothing(self, request: Request, found: Found) -> Response:
        path = request.url.path
        if not found.methods:
            return self._faults.answer(request, 404, "There is nothing here", f"No {path}.")
        answer = self._faults.answer(
            request, 405, "Method Not Allowed", f"{path} has no {request.method}."
        )
        answer.headers["allow"] = ", ".join(sorted(found.methods))
        return answer

    def _forged(self, request: Request) -> Response:
        return self._faults.answer(
            request,
            403,
            "Refused",
            "Changes must come from our own pages, and from one of this session.",
            "Open the page anew and press again.",
        )

    # --- what came of it

    def _noted(self, scope: Scope, found: Found, caller: Caller | None, send: Send) -> Send:
        doors = self._doors

        async def noted(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._note(scope, found, caller, message["status"])
            elif message.get("more_body") and caller is not None and not doors.still(caller):
                raise _LeftEarly
            await send(message)

        return noted

    def _note(self, scope: Scope, found: Found, caller: Caller | None, status: int) -> None:
        right = found.right
        if right is None or scope["method"] in SAFE or right.what in UNLOGGED:
            return
        if caller is None and right.least > Role.NOBODY:
            return
        who = scope.get(WHO) or (caller.by if caller is not None else "nobody")
        result = scope.get(RESULT) or _result_of(status)
        deed = Deed(
            self._entrance.now_ms,
            who,
            address_of(scope),
            right.what,
            scope.get(ABOUT) or _about(found.about),
            result[:RESULT_MAX],
        )
        self._entrance.logbook.put(deed, is_stranger=caller is None)


def _could_be_new(request: Request, found: Found) -> bool:
    """Whether to look for news of an unknown session or token; a stop never waits for that."""
    shows = "authorization" in request.headers or "cookie" in request.headers
    return shows and found.right is not None and found.right.what != "stop"


def _wants_token(request: Request, found: Found, caller: Caller | None) -> bool:
    """A token of a program is shown on purpose; a cookie comes by itself, so it proves nothing."""
    if request.method in SAFE or caller is None or caller.kind == "token":
        return False
    if found.right is None or found.right.least is Role.NOBODY:
        return False
    by_itself = "cookie" in request.headers or "origin" in request.headers
    return by_itself or caller.kind != "guest" or not _is_api(found.right)


def _is_shown(sent: bytes, caller: Caller) -> bool:
    return hmac.compare_digest(unmasked(sent), caller.form_token.encode())


def _is_api(right: Right) -> bool:
    return right.path.startswith("/api/")


async def _form(headers: Headers, receive: Receive) -> tuple[Receive, bytes]:
    """Return the token that came with a change, and the body to be read once more."""
    shown = headers.get(HEADER)
    kind = headers.get("content-type", "")
    if shown is not None or not kind.startswith((FORM_TYPE, PARTS_TYPE)):
        return receive, (shown or "").encode()
    body, more = b"", True
    while more and len(body) <= FORM_MAX:
        message = await receive()
        if message["type"] != "http.request":
            break
        body += message.get("body", b"")
        more = message.get("more_body", False)
    start = body[:FORM_MAX]
    if kind.startswith(PARTS_TYPE):
        found = FIRST_PART.match(start)
        return _again(body, receive, more=more), found[1] if found is not None else b""
    sent = parse_qs(start.decode("latin-1")).get(FIELD, [""])[0]
    return _again(body, receive, more=more), sent.encode()


def _again(body: bytes, receive: Receive, *, more: bool) -> Receive:
    told = False

    async def again() -> Message:
        nonlocal told
        if told:
            return await receive()
        told = True
        return {"type": "http.request", "body": body, "more_body": more}

    return again


def _about(named: Mapping[str, str]) -> str:
    """Without control letters: a path may have any, and not every database takes a NUL."""
    said = ", ".join(named.values())[:ABOUT_MAX]
    return "".join(each if each.isprintable() else "?" for each in said)


def _result_of(status: int) -> str:
    if status < 400:
        return "done"
    return f"refused ({status})" if status < 500 else f"failed ({status})"
