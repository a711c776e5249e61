"""Who works on a prop, what is out of service, which sensors are muted: as pages and as the API.

A lock-out is ended by whoever set it, or by an owner; `live/crew.py` sees to that.
"""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, ConfigDict, Field

from haunt.live.crew import Crew
from haunt.site.actions import done
from haunt.site.answers import answered
from haunt.site.asking import by, inside
from haunt.site.pages import Pages
from haunt.site.ports import Item
from haunt.site.rights import Role
from haunt.site.shapes import known_prop_json

ForSeconds = Annotated[int | None, Form(ge=1, le=86_400)]
Switch = Annotated[bool, Form()]


class LockOrder(BaseModel):
    """`on` says that the caller works on the prop; off ends it."""

    model_config = ConfigDict(extra="forbid")
    on: bool


class ServiceOrder(BaseModel):
    """`out` takes a prop out for a fault; back in, a flat pack is forgiven as well."""

    model_config = ConfigDict(extra="forbid")
    out: bool


class DoorsOrder(BaseModel):
    """`for_s` is how much longer, where the closing is `extended`."""

    model_config = ConfigDict(extra="forbid")
    state: Literal["open", "closed", "paused", "timetable", "extended"]
    for_s: int = Field(default=900, ge=60, le=10_800)


class WalkOrder(BaseModel):
    """In walk test the sensors are live and nothing fires."""

    model_config = ConfigDict(extra="forbid")
    on: bool


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _prop_routes(router, pages)
    _sensor_routes(router, pages)
    return router


def _prop_routes(router: APIRouter, pages: Pages) -> None:
    crew = pages.services.crew

    def parts(prop: str) -> tuple[str, str]:
        return f"prop-{prop}", f"hands-{prop}"

    @router.post("/props/{prop}/lock-out")
    async def lock_out(request: Request, prop: str, on: Switch = True) -> Response:
        name = pages.prop(prop).name
        await answered(crew.lock_out(prop, by(request), on=on, is_owner=is_owner(request)))
        said = f"{name} is locked out by you." if on else f"The lock-out of {name} has ended."
        return done(request, pages, said, *parts(prop))

    @router.post("/props/{prop}/service")
    async def service(request: Request, prop: str, out: Switch = True) -> Response:
        name = pages.prop(prop).name
        await answered(crew.service(prop, by(request), out=out))
        said = f"{name} is {'out of' if out else 'back in'} service."
        return done(request, pages, said, *parts(prop))


def _sensor_routes(router: APIRouter, pages: Pages) -> None:
    crew = pages.services.crew

    def parts(sensor: str) -> list[str]:
        known = crew.view().sensors.get(sensor)
        return ["walk", *(f"sensors-{each}" for each in (known.props if known is not None else ()))]

    @router.post("/sensors/{sensor}/mute")
    async def mute(request: Request, sensor: str, for_s: ForSeconds = None) -> Response:
        for_ms = None if for_s is None else for_s * 1000
        await answered(crew.mute(sensor, by(request), on=True, for_ms=for_ms))
        over = f"for {round(for_s / 60)} min" if for_s is not None else "until somebody unmutes it"
        return done(request, pages, f"{sensor} is muted {over}.", *parts(sensor))

    @router.post("/sensors/{sensor}/unmute")
    async def unmute(request: Request, sensor: str) -> Response:
        await answered(crew.mute(sensor, by(request), on=False))
        return done(request, pages, f"{sensor} counts again.", *parts(sensor))


def is_owner(request: Request) -> bool:
    return inside(request).role >= Role.OWNER


def api_routes(crew: Crew) -> APIRouter:
    router = APIRouter(prefix="/api/v1")

    def one(prop: str) -> Item:
        return known_prop_json(prop, crew.view())

    @router.post("/props/{prop}/lock-out", tags=["props"])
    async def lock_out(request: Request, prop: str, order: LockOrder) -> Item:
        """Say that the caller works on a prop, or that they no longer do."""
        owner = is_owner(request)
        await answered(crew.lock_out(prop, by(request), on=order.on, is_owner=owner))
        return one(prop)

    @router.post("/props/{prop}/service", tags=["props"])
    async def service(request: Request, prop: str, order: ServiceOrder) -> Item:
        await answered(crew.service(prop, by(request), out=order.out))
        return one(prop)

    @router.post("/walk-test", tags=["show"])
    async def walk_test(request: Request, order: WalkOrder) -> dict[str, bool]:
        """Begin or end the walk test; while it is on nothing fires."""
        await answered(crew.walk_test(by(request), on=order.on))
        return {"walk_test": crew.view().walk_test}

    @router.post("/doors", tags=["show"])
    async def doors(request: Request, order: DoorsOrder) -> dict[str, object]:
        """Open or shut the doors by hand, put the closing off, or go by the timetable again."""
        more_ms = order.for_s * 1000 if order.state == "extended" else 0
        await answered(crew.doors(order.state, by(request), more_ms))
        view = crew.view()
        return {"doors": view.doors, "open": view.open}

    return router
