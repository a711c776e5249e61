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
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.passwords import HASHER
from haunt.site.ports import Services
from haunt.store.roster import Link, hash_of
from tests.site.night import (
    DUSK_MS,
    EMPTY_NIGHT,
    StandInDesk,
    StandInKeeper,
    StandInReader,
    a_night,
)
from tests.site.stage import a_store, an_entrance

STEP_S = 1.0
PASSWORD, CODE = "seven lamps in a row", "come-in"


def now_ms() -> int:
    return time.time_ns() // 1_000_000


def an_open_entrance() -> Entrance:
    """Mara has a password, and a code lets in as many crew as come."""
    store = a_store()
    entrance = an_entrance(store=store)
    store.set_password(1, HASHER.hash(PASSWORD))
    ends_ms = DUSK_MS + 3_600_000
    store.add_link(Link(0, hash_of(CODE), "join", "crew", None, DUSK_MS, ends_ms, 100, "Mara"))
    entrance.doors.look()
    entrance.logbook.start()
    return entrance


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
    entrance = an_open_entrance()
    app = create_app(Services(crew, reader, keeper, hub, now_ms, entrance, version="stand-in"))

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
