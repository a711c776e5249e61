"""The live stream for programs: what changed, as JSON, by server-sent events."""

import asyncio
from collections.abc import AsyncIterator, Iterator
from typing import Any

from fastapi import APIRouter
from fastapi.sse import EventSourceResponse, ServerSentEvent

from haunt.live.views import NightView, PropView
from haunt.site.ports import Services
from haunt.site.shapes import decision_json, prop_json, rfc3339

LIVE_EVERY_S = 0.25
TICK_S = 2.0


class Differences:
    """What one listener has been told; the first look tells it everything."""

    def __init__(self) -> None:
        self._props: dict[str, PropView] = {}
        self._alerts: set[str] = set()

    def since_last(self, view: NightView) -> Iterator[tuple[str, dict[str, Any]]]:
        for prop in view.props.values():
            before = self._props.get(prop.id)
            if before is prop:
                continue
            self._props[prop.id] = prop
            yield "prop", prop_json(prop, view)
            last = prop.last_decision
            if before is not None and last is not None and before.last_decision != last:
                yield "decision", decision_json(last)
        for alert in view.alerts:
            if alert.key not in self._alerts:
                since = rfc3339(alert.since_ms)
                yield "alert", {"key": alert.key, "since": since, "text": alert.text}
        self._alerts = {alert.key for alert in view.alerts}


def routes(services: Services) -> APIRouter:
    router = APIRouter(prefix="/api/v1")

    @router.get("/live", response_class=EventSourceResponse)
    async def live() -> AsyncIterator[ServerSentEvent]:
        """Server-sent events as JSON: prop, decision, alert, and a tick every two seconds."""
        told, next_tick = Differences(), 0.0
        while not services.hub.closing:
            view = services.crew.view()
            for event, data in told.since_last(view):
                yield ServerSentEvent(data=data, event=event)
            now = asyncio.get_running_loop().time()
            if now >= next_tick:
                next_tick = now + TICK_S
                tick = {"at": rfc3339(view.at_ms), "seq": view.seq, "stopped": view.stopped}
                yield ServerSentEvent(data=tick, event="tick")
            await asyncio.sleep(LIVE_EVERY_S)

    return router
