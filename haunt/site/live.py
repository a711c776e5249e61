"""The live stream for programs: what changed, as JSON, by server-sent events."""

import asyncio
import json
from collections.abc import AsyncIterator, Iterator

from fastapi import APIRouter, Request, Response

from haunt.live.views import NightView, PropView
from haunt.site.faults import Faults
from haunt.site.hub import TICK_S, Message
from haunt.site.ports import Item, Services
from haunt.site.shapes import decision_json, prop_json
from haunt.site.streams import LiveStream, Slots
from haunt.store.instants import rfc3339

LIVE_EVERY_S = 0.25
STREAM: Item = {"text/event-stream": {}}


class Differences:
    """What one listener has been told; the first look tells it everything."""

    def __init__(self) -> None:
        self._props: dict[str, PropView] = {}
        self._alerts: set[str] = set()

    def since_last(self, view: NightView) -> Iterator[tuple[str, Item]]:
        for prop in view.props.values():
            before = self._props.get(prop.id)
            if before is prop:
                continue
            self._props[prop.id] = prop
            yield "prop", prop_json(prop, view)
            last = prop.last_decision
            if before is not None and last is not None and before.last_decision != last:
                yield "decision", decision_json(last, prop.because)
        for alert in view.alerts:
            if alert.key not in self._alerts:
                since = rfc3339(alert.since_ms)
                yield "alert", {"key": alert.key, "since": since, "text": alert.text}
        self._alerts = {alert.key for alert in view.alerts}


def routes(services: Services, slots: Slots, faults: Faults) -> APIRouter:
    router = APIRouter(prefix="/api/v1", tags=["live"])

    async def messages(told: Differences) -> AsyncIterator[Message]:
        next_tick = 0.0
        while not services.hub.closing:
            view = services.crew.view()
            for event, data in told.since_last(view):
                yield Message(event, json.dumps(data))
            now = asyncio.get_running_loop().time()
            if now >= next_tick:
                next_tick = now + TICK_S
                tick = {"at": rfc3339(view.at_ms), "seq": view.seq, "stopped": view.stopped}
                yield Message("tick", json.dumps(tick))
            await asyncio.sleep(LIVE_EVERY_S)

    @router.get("/live", response_class=Response, responses={200: {"content": STREAM}})
    async def live(request: Request) -> Response:
        """Server-sent events as JSON: prop, decision, alert, and a tick every two seconds.

        A new listener is told of every prop first. A decision comes with the next look at the
        night, four times a second: where a prop decided twice between two looks, the list of
        decisions has both.
        """
        if slots.full:
            return faults.answer(request, 503, "Too many streams are open", "Close one.", "")
        return LiveStream(slots, Differences, messages, lambda _told: None)

    return router
