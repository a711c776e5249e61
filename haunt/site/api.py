"""The JSON API for programs: actions by POST, settings by PATCH and PUT; lists are in lists.py."""

import asyncio
import secrets
from collections import OrderedDict
from concurrent.futures import Future
from typing import Annotated

from fastapi import APIRouter, Body, Header, Request, Response
from fastapi.responses import JSONResponse, PlainTextResponse
from pydantic import BaseModel, ConfigDict, Field

from haunt.live.crew import Answer, Crew
from haunt.live.errors import CrewMistake
from haunt.site.alerts import alert_json
from haunt.site.answers import answered, outcome_of
from haunt.site.asking import by, told
from haunt.site.lists import RowId, add_lists
from haunt.site.ports import Item, Services
from haunt.site.shapes import decision_json, known_prop_json, prop_json, stop_json

KEYS_MAX = 256
KEY_PATTERN = r"^[A-Za-z0-9._:-]{1,64}$"

Seconds = Annotated[float, Field(ge=0, le=86_400, allow_inf_nan=False)]
Span = Annotated[float, Field(ge=1, le=86_400, allow_inf_nan=False)]
Key = Annotated[
    str | None,
    Header(pattern=KEY_PATTERN, description="The same key again fires nothing and answers alike."),
]


class ForTime(BaseModel):
    """An action that ends by itself; without a time it lasts until it is taken back."""

    model_config = ConfigDict(extra="forbid")
    for_s: Span | None = None

    @property
    def for_ms(self) -> int | None:
        return None if self.for_s is None else round(self.for_s * 1000)


class PhaseOrder(BaseModel):
    """A phase by hand; null ends it."""

    model_config = ConfigDict(extra="forbid")
    phase: Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[^\x00-\x1f\x7f]+$")] | None
    for_s: Span = 180


class FireOrder(BaseModel):
    """`hands_clear` is asked for in walk test: the person saw that nobody is near."""

    model_config = ConfigDict(extra="forbid")
    behaviour: Annotated[str, Field(max_length=64)] | None = None
    hands_clear: bool = False


class PropPatch(BaseModel):
    """What of a prop can be tuned while the night runs; null takes the setting's default."""

    model_config = ConfigDict(extra="forbid")
    cooldown_s: Seconds | None = None
    hourly_cap: Annotated[int, Field(ge=1, le=3600)] | None = None
    priority: Annotated[int, Field(ge=-1000, le=1000)] | None = None
    patience_s: Seconds | None = None


Timed = Annotated[ForTime | None, Body()]


def for_ms(body: ForTime | None) -> int | None:
    return body.for_ms if body is not None else None


class Remembered:
    """The last answers by key, so that a request sent twice is answered twice alike."""

    def __init__(self, most: int = KEYS_MAX) -> None:
        self._most = most
        self._answers: OrderedDict[tuple[str, str], Future[Answer]] = OrderedDict()

    def get(self, prop: str, key: str) -> "Future[Answer] | None":
        """Return None also for one that was taken back, for it was never done."""
        found = self._answers.get((prop, key))
        return None if found is None or found.cancelled() else found

    def put(self, prop: str, key: str, answer: "Future[Answer]") -> None:
        self._answers[prop, key] = answer
        while len(self._answers) > self._most:
            self._answers.popitem(last=False)


def routes(services: Services) -> APIRouter:
    router = APIRouter(prefix="/api/v1")
    _show(router, services)
    _props(router, services)
    _fire(router, services.crew)
    _people(router, services.crew)
    _alerts(router, services.crew)
    add_lists(router, services.reader)
    return router


def _one(crew: Crew, prop: str) -> Item:
    return known_prop_json(prop, crew.view())


def _show(router: APIRouter, services: Services) -> None:
    keeper = services.keeper

    @router.get("/show", tags=["show"])
    def show(accept: Annotated[str, Header()] = "") -> Response:
        """The show file: as JSON, or as TOML with its comments by `Accept: application/toml`."""
        if "toml" in accept or "text/plain" in accept:
            return PlainTextResponse(keeper.toml(), media_type="application/toml")
        return JSONResponse(keeper.as_json())

    @router.put("/show", tags=["show"])
    async def put_show(request: Request) -> dict[str, int]:
        """Take a whole show file or nothing: TOML, or JSON by its content type.

        Props that keep their id keep their state. The answer is the new version's number.
        """
        try:
            body = (await request.body()).decode()
        except UnicodeDecodeError as fault:  # kept with a letter in its place it would be another
            raise CrewMistake(f"the body is no UTF-8: {fault.reason}", about="show") from fault
        if "json" in request.headers.get("content-type", ""):
            body = f"json:{body}"
        version = await asyncio.to_thread(keeper.put, body, by(request))
        return {"version": version}


def _props(router: APIRouter, services: Services) -> None:
    crew, keeper = services.crew, services.keeper

    @router.get("/props", tags=["props"])
    async def props() -> Item:
        view = crew.view()
        return {"items": [prop_json(each, view) for each in view.props.values()], "next": None}

    @router.get("/props/{prop}", tags=["props"])
    async def prop(prop: str) -> Item:
        return _one(crew, prop)

    @router.patch("/props/{prop}", tags=["props"])
    async def patch(request: Request, prop: str, body: PropPatch) -> Item:
        """Change some settings of a prop; they count from this moment."""
        _one(crew, prop)
        values: Item = body.model_dump(exclude_unset=True)
        if values:
            await asyncio.to_thread(keeper.patch_prop, prop, values, by(request))
        return _one(crew, prop)

    @router.post("/props/{prop}/hold", tags=["props"])
    async def hold(request: Request, prop: str, body: Timed = None) -> Item:
        await answered(crew.hold(prop, by(request), for_ms(body)))
        return _one(crew, prop)

    @router.post("/props/{prop}/release", tags=["props"])
    async def release(request: Request, prop: str) -> Item:
        await answered(crew.release_hold(prop, by(request)))
        return _one(crew, prop)


def _fire(router: APIRouter, crew: Crew) -> None:
    remembered = Remembered()

    @router.post("/props/{prop}/fire", tags=["props"])
    async def fire(
        request: Request,
        prop: str,
        body: Annotated[FireOrder | None, Body()] = None,
        idempotency_key: Key = None,
    ) -> dict[str, list[Item]]:
        """Fire now, under all the rules that hands do not overrule.

        The answer has the decision, which may well be a refusal with its reason.
        """
        order, key = body or FireOrder(), idempotency_key or secrets.token_hex(8)
        future = remembered.get(prop, key)
        if future is None:
            future = crew.fire(
                prop,
                f"h-{key}",
                by(request),
                behaviour=order.behaviour,
                hands_clear=order.hands_clear,
            )
            remembered.put(prop, key, future)
        decisions = await answered(future)
        told(request, outcome_of(decisions))
        return {"decisions": [decision_json(each) for each in decisions]}


def _people(router: APIRouter, crew: Crew) -> None:
    @router.post("/stop", tags=["show"])
    async def stop(request: Request) -> Item:
        """Make the whole show still, until it is released. Not an emergency stop."""
        await answered(crew.stop(by(request)), keep=True)
        return stop_json(crew.view())

    @router.post("/stop/release", tags=["show"])
    async def release_stop(request: Request) -> Item:
        """Let the show go on five seconds later; props armed by hand stay held."""
        await answered(crew.release_stop(by(request)))
        return stop_json(crew.view())

    @router.post("/hold", tags=["show"])
    async def hold_all(request: Request, body: Timed = None) -> Item:
        await answered(crew.hold(None, by(request), for_ms(body)))
        return stop_json(crew.view())

    @router.post("/release", tags=["show"])
    async def release_all(request: Request) -> Item:
        """End all holds, save of props armed by hand: each of those by its own release."""
        await answered(crew.release_hold(None, by(request)))
        return stop_json(crew.view())

    @router.post("/phase", tags=["show"])
    async def phase(request: Request, body: PhaseOrder) -> dict[str, list[str]]:
        await answered(crew.phase_by_hand(body.phase, round(body.for_s * 1000), by(request)))
        return {"phases": list(crew.view().phases)}

    @router.post("/sensors/{sensor}/mute", tags=["sensors"])
    async def mute(request: Request, sensor: str, body: Timed = None) -> Item:
        """Silence a sensor; its props still fire by hand and by their other sensors."""
        await answered(crew.mute(sensor, by(request), on=True, for_ms=for_ms(body)))
        return {"sensor": sensor, "muted": True}

    @router.post("/sensors/{sensor}/unmute", tags=["sensors"])
    async def unmute(request: Request, sensor: str) -> Item:
        await answered(crew.mute(sensor, by(request), on=False))
        return {"sensor": sensor, "muted": False}


def _alerts(router: APIRouter, crew: Crew) -> None:
    @router.post("/alerts/{alert}/acknowledge", tags=["alerts"])
    async def acknowledge(request: Request, alert: RowId) -> Item:
        """Say that somebody has seen an open alert; the first who did keeps it."""
        await answered(crew.acknowledge(alert, by(request)))
        for each in crew.view().alerts:
            if each.id == alert:
                return alert_json(each)
        raise CrewMistake(f"alert {alert} has just closed", about="alert", missing=True)
