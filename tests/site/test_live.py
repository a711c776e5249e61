"""Goal: a program that listens is told everything first, then what changes, and leaves no trace.

Method: the application called as a server calls it, by a listener that leaves after some seconds
of a clock that leaps.
"""

import asyncio
import json
from collections.abc import Callable
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.types import Message

from haunt.core.decisions import Decision, Outcome, Source
from haunt.live.crew import Crew
from haunt.live.views import AlertView, PropWord
from haunt.site.app import create_app
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.ports import Services
from tests.site.leaping import run_leaping
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import COOKIE, an_entrance, secret_of

COOKIE_SENT = f"{COOKIE}={secret_of('watch')}".encode()
Event = tuple[str, Any]
FIRED = Decision(
    1, DUSK_MS, Source.HAND, None, None, "owl", Outcome.FIRED, None, "wake", "c", 0, None
)


def scope(path: str, query: str = "") -> dict[str, Any]:
    return {
        "type": "http",
        "asgi": {"spec_version": "2.3", "version": "3.0"},
        "http_version": "1.1",
        "method": "GET",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "headers": [(b"host", b"127.0.0.1"), (b"cookie", COOKIE_SENT)],
        "client": ("127.0.0.1", 4242),
        "server": ("127.0.0.1", 80),
    }


def listen(app: FastAPI, leave_at_s: float, then: Callable[[], None], path: str) -> list[Message]:
    """Return all that was sent; `then` happens after one second."""
    sent: list[Message] = []

    async def receive() -> Message:
        if not asked:
            asked.append(True)
            return {"type": "http.request", "body": b"", "more_body": False}
        await asyncio.sleep(1)
        then()
        await asyncio.sleep(leave_at_s - 1)
        return {"type": "http.disconnect"}

    async def send(message: Message) -> None:
        sent.append(message)

    asked: list[bool] = []
    route, _, query = path.partition("?")

    async def story() -> None:
        async with app.router.lifespan_context(app):
            await app(scope(route, query), receive, send)

    run_leaping(story())
    return sent


def events(sent: list[Message]) -> list[Event]:
    found = []
    for block in b"".join(each.get("body", b"") for each in sent).decode().split("\n\n"):
        lines = dict(line.split(": ", 1) for line in block.splitlines())
        if lines:
            found.append((lines["event"], json.loads(lines["data"])))
    return found


@pytest.fixture
def desk() -> StandInDesk:
    return StandInDesk(a_night())


def app_of(desk: StandInDesk, hub: Hub | None = None, entrance: Entrance | None = None) -> FastAPI:
    reader, keeper = StandInReader(), StandInKeeper(desk)
    found = Services(
        Crew(desk), reader, keeper, hub or Hub(), lambda: DUSK_MS, entrance or an_entrance()
    )
    return create_app(found)


def test_a_listener_is_told_of_every_prop_and_then_only_of_what_changes(desk: StandInDesk) -> None:
    def then() -> None:
        desk.change_prop("owl", word=PropWord.PLAYING, last_decision=FIRED)
        desk.change(alerts=(AlertView("stuck eye", DUSK_MS, "Sensor eye is stuck"),))

    found = events(listen(app_of(desk), 5.0, then, "/api/v1/live"))

    assert [each["id"] for kind, each in found[:10] if kind == "prop"] == list(desk.view().props)
    later = [(kind, each) for kind, each in found[10:] if kind != "tick"]
    assert [kind for kind, _ in later] == ["prop", "decision", "alert"]
    assert later[0][1]["state"] == "playing"
    assert (later[1][1]["prop"], later[1][1]["outcome"]) == ("owl", "fired")
    assert later[2][1]["text"] == "Sensor eye is stuck"


def test_a_tick_comes_at_once_and_every_two_seconds(desk: StandInDesk) -> None:
    found = events(listen(app_of(desk), 7.9, lambda: None, "/api/v1/live"))

    ticks = [each for kind, each in found if kind == "tick"]
    assert len(ticks) == 4
    assert ticks[0] == {"at": "2026-10-31T18:30:00.000Z", "seq": 1, "stopped": False}


@pytest.mark.parametrize("path", ["/api/v1/live", "/stream?page=tonight"])
def test_a_stream_says_that_it_is_one_and_is_not_kept(desk: StandInDesk, path: str) -> None:
    start, *rest = listen(app_of(desk), 3.0, lambda: None, path)

    headers = {name.decode(): value.decode() for name, value in start["headers"]}
    assert start["status"] == 200
    assert headers["content-type"].startswith("text/event-stream")
    assert (headers["cache-control"], headers["x-accel-buffering"]) == ("no-cache", "no")
    assert "default-src 'none'" in headers["content-security-policy"]
    assert any(each.get("body") for each in rest)


def test_a_page_is_sent_a_change_of_a_prop_that_nobody_named(desk: StandInDesk) -> None:
    hub = Hub()

    def then() -> None:
        desk.change_prop("owl", word=PropWord.PLAYING)
        hub.notify(frozenset())

    sent = listen(app_of(desk, hub), 4.0, then, "/stream?page=prop-owl")

    bodies = [each.get("body", b"").decode() for each in sent]
    assert [body for body in bodies if "Playing" in body and 'id="prop-owl"' in body]
    assert not [body for body in bodies if 'id="prop-bell"' in body]
