"""Serves the pages over the garden's own show file, for browsers: `python -m … PORT [FILE]`."""

import sys
from contextlib import suppress
from pathlib import Path
from types import FrameType

import uvicorn

from haunt.site.app import create_app
from haunt.site.hub import Hub
from tests.site.map.garden import TextKeeper, services_of


class Server(uvicorn.Server):
    """Ends the streams first, as the real one does."""

    hub: Hub

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self.hub.close_soon()
        super().handle_exit(sig, frame)


def serve(port: int, file: str = "") -> None:
    keeper = TextKeeper(Path(file).read_text(encoding="utf-8") if file else None)
    services = services_of(keeper)
    config = uvicorn.Config(
        create_app(services), "127.0.0.1", port, log_level="warning", timeout_graceful_shutdown=2
    )
    server = Server(config)
    server.hub = services.hub
    with suppress(KeyboardInterrupt):  # the server passes the signal on when it has ended
        server.run()


if __name__ == "__main__":
    serve(int(sys.argv[1]), *sys.argv[2:])
