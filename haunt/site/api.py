"""The JSON API for programs: lists by cursor, actions by POST, faults as problem+json."""

import asyncio
import csv
import io
import json
import secrets
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Query, Request, Response
from fastapi.responses import JSONResponse, PlainTextResponse, StreamingResponse
from pydantic import BaseModel, Field

from haunt.live.crew import Answer
from haunt.live.errors import CrewMistake
from haunt.site.ports import Page, Services
from haunt.site.shapes import decision_json, prop_json, rfc3339

ANSWER_S = 3.0
DECISION_COLUMNS = (
    "id",
    "at",
    "source",
    "motion",
    "sensor",
    "prop",
    "outcome",
    "reason",
    "behaviour",
    "cue",
    "waited_ms",
    "margin",
)

Since = Annotated[str | None, Query(description="RFC 3339; only what came at or after.")]
Until = Annotated[str | None, Query(description="RFC 3339; only what came before.")]
Cursor = Annotated[int | None, Query(ge=0)]
Limit = Annotated[int, Query(ge=1, le=1000)]


class HoldBody(BaseModel):
    for_s: float | None = Field(None, ge=1, le=3600)


class MuteBody(BaseModel):
    for_s: float | None = Field(None, ge=1, le=86_400)


class PhaseBody(BaseModel):
    phase: str | None
    for_s: float = Field(180, ge=1, le=86_400)


class FireBody(BaseModel):
    behaviour: str | None = None
    hands_clear: bool = False


class PropPatch(BaseModel):
    model_config = {"extra": "forbid"}

    cooldown_s: float | None = Field(None, ge=0, le=86_400)
    hourly_cap: int | None = Field(None, ge=1, le=3600)
    priority: int | None = Field(None, ge=-1000, le=1000)
    patience_s: float | None = Field(None, ge=0, le=86_400)


def _by(request: Request) -> str:
    return f"api {request.client.host}" if request.client is not None else "api"


async def _answer(future: Any) -> Answer:
    found: Answer = await asyncio.wait_for(asyncio.wrap_future(future), ANSWER_S)
    return found


def _instant(text: str | None, name: str) -> int | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as fault:
        raise CrewMistake(
            f"{name}={text!r} is no RFC 3339 time, such as 2026-10-31T18:00:00Z"
        ) from fault
    return int((found if found.tzinfo else found.replace(tzinfo=UTC)).timestamp() * 1000)


def _list(page: Page) -> dict[str, Any]:
    return {"items": page.items, "next": page.next}


def _csv(rows: Iterator[dict[str, Any]]) -> Iterator[str]:
    """RFC 4180: CRLF, a header, quotes where needed; text that looks like a formula is guarded."""
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, DECISION_COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({key: _guarded(row[key]) for key in DECISION_COLUMNS})
        if buffer.tell() > 65_536:
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()


def _guarded(value: object) -> object:
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t\r" and value else value


def routes(services: Services) -> APIRouter:
    router = APIRouter(prefix="/api/v1")
    _show(router, services)
    _props(router, services)
    _people(router, services)
    _lists(router, services)
    return router


def _show(router: APIRouter, services: Services) -> None:
    @router.get("/show")
    def show(accept: Annotated[str, Header()] = "") -> Response:
        """The show file: as JSON, or as TOML with its comments by `Accept: application/toml`."""
        if "toml" in accept or "text/plain" in accept:
            return PlainTextResponse(services.keeper.toml(), media_type="application/toml")
        return JSONResponse(services.keeper.as_json())

    @router.put("/show")
    async def put_show(request: Request) -> dict[str, Any]:
        """All or nothing: TOML text, or JSON by its content type. Props keep their state."""
        body = (await request.body()).decode("utf-8", "replace")
        if "json" in request.headers.get("content-type", ""):
            body = "json:" + body
        version = await asyncio.to_thread(services.keeper.put, body, _by(request))
        return {"version": version}


def _props(router: APIRouter, services: Services) -> None:
    crew = services.crew

    def one(prop: str) -> dict[str, Any]:
        view = crew.view()
        if prop not in view.props:
            raise CrewMistake(f"there is no prop {prop!r}", about=prop, missing=True)
        return prop_json(view.props[prop], view)

    @router.get("/props")
    async def props() -> dict[str, Any]:
        view = crew.view()
        return {"items": [prop_json(each, view) for each in view.props.values()], "next": None}

    @router.get("/props/{prop}")
    async def prop(prop: str) -> dict[str, Any]:
        return one(prop)

    @router.patch("/props/{prop}")
    async def patch(request: Request, prop: str, body: PropPatch) -> dict[str, Any]:
        one(prop)
        values = body.model_dump(exclude_unset=True)
        await asyncio.to_thread(services.keeper.patch_prop, prop, values, _by(request))
        return one(prop)

    @router.post("/props/{prop}/fire")
    async def fire(
        request: Request,
        prop: str,
        body: Annotated[FireBody | None, Body()] = None,
        idempotency_key: Annotated[str | None, Header(max_length=64)] = None,
    ) -> dict[str, Any]:
        """Fire now. The same Idempotency-Key again changes nothing."""
        asked = body or FireBody()
        key = f"h-{idempotency_key or secrets.token_hex(8)}"
        future = crew.fire(
            prop, key, _by(request), behaviour=asked.behaviour, hands_clear=asked.hands_clear
        )
        return {"decisions": [decision_json(each) for each in await _answer(future)]}

    @router.post("/props/{prop}/hold")
    async def hold(
        request: Request, prop: str, body: Annotated[HoldBody | None, Body()] = None
    ) -> dict[str, Any]:
        for_s = body.for_s if body is not None else None
        await _answer(crew.hold(prop, _by(request), round(for_s * 1000) if for_s else None))
        return one(prop)

    @router.post("/props/{prop}/release")
    async def release(request: Request, prop: str) -> dict[str, Any]:
        await _answer(crew.release_hold(prop, _by(request)))
        return one(prop)


def _people(router: APIRouter, services: Services) -> None:
    crew = services.crew

    def state() -> dict[str, Any]:
        view = crew.view()
        return {
            "stopped": view.stopped,
            "by": view.stopped_by,
            "epoch": view.epoch,
            "release_at": rfc3339(view.release_at_ms) if view.release_at_ms else None,
            "unheard": list(view.stop_unheard),
        }

    @router.post("/stop")
    async def stop(request: Request) -> dict[str, Any]:
        await _answer(crew.stop(_by(request)))
        return state()

    @router.post("/stop/release")
    async def release_stop(request: Request) -> dict[str, Any]:
        """The show goes on five seconds later; props armed by hand stay held."""
        await _answer(crew.release_stop(_by(request)))
        return state()

    @router.post("/hold")
    async def hold(
        request: Request, body: Annotated[HoldBody | None, Body()] = None
    ) -> dict[str, Any]:
        for_s = body.for_s if body is not None else None
        await _answer(crew.hold(None, _by(request), round(for_s * 1000) if for_s else None))
        return state()

    @router.post("/release")
    async def release(request: Request) -> dict[str, Any]:
        await _answer(crew.release_hold(None, _by(request)))
        return state()

    @router.post("/phase")
    async def phase(request: Request, body: PhaseBody) -> dict[str, Any]:
        await _answer(crew.phase_by_hand(body.phase, round(body.for_s * 1000), _by(request)))
        return {"phases": list(crew.view().phases)}

    @router.post("/sensors/{sensor}/mute")
    async def mute(
        request: Request, sensor: str, body: Annotated[MuteBody | None, Body()] = None
    ) -> dict[str, Any]:
        for_s = body.for_s if body is not None else None
        for_ms = round(for_s * 1000) if for_s else None
        await _answer(crew.mute(sensor, _by(request), on=True, for_ms=for_ms))
        return {"sensor": sensor, "muted": True}

    @router.post("/sensors/{sensor}/unmute")
    async def unmute(request: Request, sensor: str) -> dict[str, Any]:
        await _answer(crew.mute(sensor, _by(request), on=False))
        return {"sensor": sensor, "muted": False}


def _lists(router: APIRouter, services: Services) -> None:
    reader = services.reader

    @router.get("/decisions")
    def decisions(  # noqa: PLR0913, PLR0917 - one parameter a filter
        prop: str | None = None,
        outcome: str | None = None,
        reason: str | None = None,
        since: Since = None,
        until: Until = None,
        after: Cursor = None,
        before: Cursor = None,
        limit: Limit = 100,
        accept: Annotated[str, Header()] = "",
    ) -> Response:
        asked = {
            "prop": prop,
            "outcome": outcome,
            "reason": reason,
            "since_ms": _instant(since, "since"),
            "until_ms": _instant(until, "until"),
            "after": after,
            "before": before,
        }
        if "text/csv" in accept:
            return StreamingResponse(
                _csv(reader.stream_decisions(**asked)),
                media_type="text/csv; charset=utf-8; header=present",
                headers={"content-disposition": 'attachment; filename="decisions.csv"'},
            )
        return JSONResponse(_list(reader.decisions(**asked, limit=limit)))

    for name in ("motions", "health", "reports", "alerts"):
        _one_list(router, name, getattr(reader, name))


def _one_list(router: APIRouter, name: str, read: Any) -> None:
    @router.get(f"/{name}", name=name)
    def found(
        since: Since = None,
        until: Until = None,
        after: Cursor = None,
        before: Cursor = None,
        limit: Limit = 100,
    ) -> dict[str, Any]:
        return _list(
            read(
                since_ms=_instant(since, "since"),
                until_ms=_instant(until, "until"),
                after=after,
                before=before,
                limit=limit,
            )
        )


def problem(status: int, title: str, detail: str, **more: Any) -> Response:
    """RFC 9457."""
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, **more}
    return Response(json.dumps(body), status, media_type="application/problem+json")
