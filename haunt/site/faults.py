"""Faults in words: what, why, what next and a code to find in the log; a page or problem+json."""

import json
import logging
import secrets
from dataclasses import asdict, dataclass
from http import HTTPStatus
from typing import Protocol

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from haunt.live.errors import CrewMistake
from haunt.site.entrance import TooSoon
from haunt.site.houseports import HouseRefused
from haunt.site.passwords import PoolFull
from haunt.site.security import BODY_MAX, BodyTooLarge
from haunt.store.refusal import StoreRefused
from haunt.store.roster import PeopleRefused
from haunt.wire.showerrors import ShowFileRefused

log = logging.getLogger("haunt.site")

TONIGHT = "Go back to Tonight."
SHOWN_MAX = 5


@dataclass(frozen=True, slots=True)
class FaultView:
    """What a page of a fault is given."""

    status: int
    what: str
    why: str
    todo: str
    code: str


class FaultPage(Protocol):
    """Renders a fault for people; for htmx as a notice on the page they are on."""

    def __call__(self, request: Request, fault: FaultView) -> Response: ...


def problem(fault: FaultView, **more: object) -> Response:
    """RFC 9457."""
    body = {
        "type": "about:blank",
        "title": fault.what,
        "status": fault.status,
        "detail": fault.why,
        "code": fault.code,
        **more,
    }
    return Response(json.dumps(body), fault.status, media_type="application/problem+json")


class Faults:
    """Answers in the language of whoever asked, and leaves a line in the log."""

    def __init__(self, page: FaultPage) -> None:
        self._page = page

    def answer(
        self,
        request: Request,
        status: int,
        what: str,
        why: str,
        todo: str = TONIGHT,
        **more: object,
    ) -> Response:
        fault = FaultView(status, what, why, todo, f"{status}-{secrets.token_hex(3)}")
        level = logging.ERROR if status >= 500 else logging.INFO
        log.log(level, "%s %s %s: %s", fault.code, request.method, request.url.path, why)
        if request.url.path.startswith("/api/"):
            return problem(fault, **more)
        return self._page(request, fault)

    async def refuse(self, scope: Scope, status: int, why: str) -> ASGIApp:
        return self.answer(Request(scope), status, "Refused", why)

    def join(self, app: FastAPI) -> None:
        app.add_exception_handler(CrewMistake, self._mistake)
        app.add_exception_handler(ShowFileRefused, self._show)
        app.add_exception_handler(RequestValidationError, self._invalid)
        app.add_exception_handler(HTTPException, self._http)
        app.add_exception_handler(TimeoutError, self._slow)
        app.add_exception_handler(BodyTooLarge, self._large)
        app.add_exception_handler(PeopleRefused, self._people)
        app.add_exception_handler(PoolFull, self._busy)
        app.add_exception_handler(StoreRefused, self._store)
        app.add_exception_handler(HouseRefused, self._house)

    def _mistake(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, CrewMistake)
        status = 404 if fault.missing else 422
        what = "There is no such thing" if fault.missing else "That cannot be done"
        return self.answer(request, status, what, fault.what, about=fault.about)

    def _show(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, ShowFileRefused)
        said = "; ".join(str(each) for each in fault.faults[:SHOWN_MAX])
        faults = [asdict(each) for each in fault.faults]
        todo = "Mend it and send it again; nothing was changed."
        return self.answer(request, 422, "The show file has faults", said, todo, faults=faults)

    def _invalid(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, RequestValidationError)
        errors = [
            {"at": ".".join(str(step) for step in each["loc"]), "what": str(each["msg"])}
            for each in fault.errors()
        ]
        said = "; ".join(f"{each['at']}: {each['what']}" for each in errors[:SHOWN_MAX])
        todo = "Go back, correct it and send it again."
        return self.answer(request, 422, "Something is not right", said, todo, errors=errors)

    def _http(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, HTTPException)
        if fault.status_code == 404:
            return self.answer(request, 404, "There is nothing here", f"No {request.url.path}.")
        phrase = HTTPStatus(fault.status_code).phrase
        found = self.answer(request, fault.status_code, phrase, str(fault.detail))
        found.headers.update(fault.headers or {})
        return found

    def _slow(self, request: Request, _fault: Exception) -> Response:
        return self.answer(
            request,
            503,
            "The controller did not answer",
            "It did not take the order in time.",
            "Look at Tonight whether it was done; press once more if not.",
        )

    def _people(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, PeopleRefused)
        status = 429 if isinstance(fault, TooSoon) else 422
        found = self.answer(request, status, "That cannot be done", fault.what, about=fault.about)
        if isinstance(fault, TooSoon):
            found.headers["retry-after"] = str(fault.wait_s)
        return found

    def _busy(self, request: Request, _fault: Exception) -> Response:
        found = self.answer(
            request,
            503,
            "Many are signing in",
            "More passwords wait to be checked than can be.",
            "Try again in a few seconds. Whoever is signed in is not touched by it.",
        )
        found.headers["retry-after"] = "2"
        return found

    def _store(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, StoreRefused)
        return self.answer(
            request,
            503,
            "That could not be kept",
            str(fault),
            "Nothing was changed. Look at the disk and try again; Stop show works all the same.",
        )

    def _house(self, request: Request, fault: Exception) -> Response:
        assert isinstance(fault, HouseRefused)
        return self.answer(request, 422, "That cannot be done", str(fault))

    def _large(self, request: Request, _fault: Exception) -> Response:
        return self.answer(request, 413, "Too much", f"At most {BODY_MAX} bytes can be sent.")


class LastResort:
    """The one place that meets what nobody foresaw: the show goes on, the log has the trace."""

    def __init__(self, app: ASGIApp, faults: Faults) -> None:
        self._app, self._faults = app, faults

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def watched(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, watched)
        except ClientDisconnect:
            log.info("whoever asked for %s left in the middle", scope["path"])
        except Exception as fault:
            if begun or scope["type"] != "http":
                raise
            answer = self._faults.answer(
                Request(scope),
                500,
                "This page failed",
                type(fault).__name__,
                "The show goes on. Go back to Tonight; give the code to who keeps the controller.",
            )
            log.exception("trace of %s", scope["path"])
            await answer(scope, receive, send)
