"""The port of the pages: one socket from the first start to the last end, over https or http."""

import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from types import FrameType
from typing import Any, Final

import uvicorn

from haunt.bootstrap.naming import hosts_of
from haunt.bootstrap.people import base_url
from haunt.bootstrap.refusal import StartRefused
from haunt.bootstrap.supervisor import Supervisor, supervisor
from haunt.bootstrap.tls import certificate_of, context_of, words_of
from haunt.config import Config, is_loopback
from haunt.mqtt.listening import family_of
from haunt.site.hub import Hub

GRACE_S: Final = 2
BACKLOG: Final = 128
PLAIN: Final = (
    "haunt: plain http: whoever can read along on this network can take over a session. "
    "Keep the show on a Wi-Fi of its own, with a password (WPA2 or WPA3); https comes with "
    "haunt certs --name NAME"
)


class Turns:
    """One process may serve several times, one after the other, while the port stays open.

    `again` is for the loop of the running server; a signal ends the last turn, whenever it comes.
    """

    def __init__(self) -> None:
        self.is_asked, self.is_ended = False, False
        self._server: _Server | None = None

    def again(self) -> None:
        """End this turn in order and begin another: everything is read anew."""
        self.is_asked = True
        if self._server is not None:
            self._server.end_soon()

    def ended(self) -> None:
        self.is_ended = True

    def fresh(self) -> None:
        """Before a turn is built: what is asked for from here on ends it, built or not."""
        self.is_asked, self._server = False, None

    def begin(self, server: "_Server") -> None:
        self._server = server
        if self.is_ended or self.is_asked:
            server.end_soon()

    @property
    def is_another(self) -> bool:
        return self.is_asked and not self.is_ended


class Front:
    """`url` is what people are told; `hosts` are the names under which a browser may come."""

    def __init__(self, config: Config) -> None:
        """Raises StartRefused."""
        self.certificate = certificate_of(config)
        self._host, self.data = config.listen_host, config.data
        self._listener = _listen(config)
        self.url = base_url(self._host, self._listener.getsockname()[1], self.certificate)
        own = socket.gethostname().lower()
        vouched = () if self.certificate is None else self.certificate.names
        self.hosts = hosts_of(config) | {
            self._host.lower(),
            own,
            f"{own}.local",
            *config.names,
            *vouched,
        }

    def close(self) -> None:
        self._listener.close()

    def words(self, now: datetime) -> Iterator[str]:
        yield f"haunt: pages on {self.url}"
        if self.certificate is not None:
            yield from words_of(self.certificate, self.url, now)
        elif not is_loopback(self._host):
            yield PLAIN

    def serve(self, app: Any, hub: Hub, turns: Turns) -> None:
        certificate, told = self.certificate, supervisor()

        async def beat() -> None:
            if app.state.is_alive():  # else it is better to be started again
                told.alive()

        settings = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=GRACE_S,
            lifespan="on",
            callback_notify=beat if told.beat_s is not None else None,
            timeout_notify=int(told.beat_s or 0),  # it looks once a second
            ws="none",  # there are no sockets of that kind; a library that does them may be there
            ssl_context_factory=None
            if certificate is None
            else lambda _config, _default: context_of(certificate),
        )
        # A copy, for it is closed at the end of a turn; who comes meanwhile waits in the queue.
        _Server(settings, hub, turns, told).run(sockets=[self._listener.dup()])


class _Server(uvicorn.Server):
    """Ends in our order: streams first, since it would wait for them.

    The signal is not raised again afterwards: that would end the process before the journal is
    closed.
    """

    def __init__(self, settings: uvicorn.Config, hub: Hub, turns: Turns, told: Supervisor) -> None:
        super().__init__(settings)
        self._hub, self._turns, self._told = hub, turns, told

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._told.ready("the show runs")

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, self.handle_exit)
        self._turns.begin(self)
        yield

    def end_soon(self) -> None:
        self._hub.close_soon()
        self.should_exit = True

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._told.ending()
        self._turns.ended()
        self._hub.close_soon()
        super().handle_exit(sig, frame)


def _listen(config: Config) -> socket.socket:
    try:
        listener = socket.socket(family_of(config.listen_host))
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((config.listen_host, config.listen_port))
    except OSError as fault:
        raise StartRefused(
            f"cannot listen on {config.listen_host}:{config.listen_port}: {fault.strerror}. "
            "Is another haunt running? --listen HOST:PORT takes another, port 0 any"
        ) from fault
    listener.listen(BACKLOG)
    listener.set_inheritable(False)
    return listener
