"""Serves the pages with an invented evening, for browsers: no broker, no journal, no rules.

`python -m tests.site.standin PORT [evening|empty|faults|still]`; 127.0.0.1 only.
"""

import sys
import threading
import time
from contextlib import suppress
from dataclasses import replace
from types import FrameType

import uvicorn

from haunt.live.crew import Crew
from haunt.live.views import Counters
from haunt.site.app import create_app
from haunt.site.hub import Hub
from haunt.site.ports import Services
from tests.site.night import (
    EMPTY_NIGHT,
    StandInDesk,
    StandInKeeper,
    StandInReader,
    a_night,
)

STEP_S = 1.0


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def desk_of(kind: str) -> StandInDesk:
    if kind == "empty":
        return StandInDesk(replace(EMPTY_NIGHT, at_ms=now_ms()))
    night = a_night(at_ms=now_ms())
    if kind == "faults":
        night = replace(
            night,
            link_up=False,
            counters=Counters(
                malformed=3,
                last_malformed="b-owl: motion without seq",
                unknown_ids=2,
                not_journalled=9,
                journal_failing="no space left on the disk",
            ),
        )
    return StandInDesk(night)


class Server(uvicorn.Server):
    """Ends the streams first, as the real one does."""

    hub: Hub

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.hub.close_soon()
        super().handle_exit(sig, frame)


def serve(port: int, kind: str) -> None:
    desk, hub = desk_of(kind), Hub()
    reader = StandInReader([]) if kind == "empty" else StandInReader()
    crew, keeper = Crew(desk), StandInKeeper(desk)
    app = create_app(Services(crew, reader, keeper, hub, now_ms, version="stand-in"))

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("made to fail")

    def run_the_evening() -> None:
        while not hub.closing:
            if kind != "still":  # a night whose owner is dead
                hub.notify(desk.advance(now_ms()))
            time.sleep(STEP_S)

    threading.Thread(target=run_the_evening, daemon=True).start()
    config = uvicorn.Config(
        app, "127.0.0.1", port, log_level="warning", timeout_graceful_shutdown=2
    )
    server = Server(config)
    server.hub = hub
    with suppress(KeyboardInterrupt):  # the server passes the signal on when it has ended
        server.run()


if __name__ == "__main__":
    serve(int(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else "evening")
