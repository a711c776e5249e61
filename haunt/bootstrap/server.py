"""`haunt serve`: builds the night out of what is kept, joins its adapters, runs until told to end.

Order matters: what was decided is known before the first motion is judged, and at the end the
streams close first, the broker last.
"""

import json
import secrets
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from types import FrameType
from typing import Any, Protocol

import uvicorn

from haunt.bootstrap.broker import join_broker
from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.keeping import keep
from haunt.bootstrap.kept import Kept, kept_in
from haunt.bootstrap.offline import open_store
from haunt.bootstrap.people import base_url, printed, remember_address, set_up_link
from haunt.bootstrap.refusal import StartRefused
from haunt.bootstrap.reporting import Nights
from haunt.bootstrap.weigher import Weigher
from haunt.config import Config, is_loopback
from haunt.core.arbiter import Arbiter
from haunt.live.crew import Crew
from haunt.live.night import RunningNight
from haunt.live.owner import Owner
from haunt.live.ports import Arrival, LinkState
from haunt.live.scene import Scene
from haunt.mqtt.client import Account, BrokerClient
from haunt.mqtt.kept import BrokerFailed
from haunt.site.app import create_app
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.keeper import Keeper
from haunt.site.ports import Services
from haunt.site.rights import Role
from haunt.store.alerts import AlertStore
from haunt.store.engines import Engine, StoreRefused
from haunt.store.journal import SqlJournal
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader, Writer, refuse_unreadable
from haunt.wire.showerrors import ShowFileRefused

CLOCKS_KEPT = 16
SWITCH_S = 0.0002
"""Measured: the p95 of a round trip with 20 streams halves against 0.5 ms; lower gains nothing."""
GRACE_S = 2
PLAIN = (
    "haunt: plain http: whoever can read along on this network can take over a session. "
    "Keep the show on a Wi-Fi of its own, with a password (WPA2 or WPA3)"
)

Say = Callable[[str], None]


class Company(Protocol):
    """Simulated boards and people that join a server once its broker answers."""

    def start(self, host: str, port: int) -> None: ...
    def stop(self) -> None: ...


def run_server(
    config: Config,
    say: Say,
    company: Company | None = None,
    opened: Callable[[str], None] = lambda _url: None,
    guest: Role | None = None,
) -> int:
    """Return 0 after an orderly end, 1 where something stood in the way.

    With `guest` everybody who can reach the pages has that role: for loopback only.
    """
    if not __debug__:
        say("haunt: do not run python with -O: the invariants must stay on")
        return 1
    sys.setswitchinterval(SWITCH_S)
    with ExitStack() as ending:
        try:
            app, listener, account, set_up = _build(config, say, ending, guest)
        except (StartRefused, StoreRefused, BrokerFailed) as refused:
            say(f"haunt: {refused}")
            return 1
        except ShowFileRefused as refused:
            for fault in refused.faults:
                say(f"haunt: {fault}")
            return 1
        url = base_url(config.listen_host, listener.getsockname()[1])
        say(f"haunt: pages on {url}")
        if not is_loopback(config.listen_host):
            say(PLAIN)
        if set_up is not None:
            for line in printed(set_up, "nobody owns this show yet. This makes an owner, once:"):
                say(line)
        if company is not None:
            company.start(account.host, account.port)
            ending.callback(company.stop)
        opened(url)
        settings = uvicorn.Config(
            app,
            log_level="warning",
            access_log=False,
            timeout_graceful_shutdown=GRACE_S,
            lifespan="on",
        )
        _Server(settings, app.state.hub).run(sockets=[listener])
    return 0


class _Server(uvicorn.Server):
    """Ends in our order: streams first, since it would wait for them.

    The signal is not raised again afterwards: that would end the process before the journal is
    closed.
    """

    def __init__(self, settings: uvicorn.Config, hub: Hub) -> None:
        super().__init__(settings)
        self._hub = hub

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, self.handle_exit)
        yield

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._hub.close_soon()
        super().handle_exit(sig, frame)


def _build(
    config: Config, say: Say, ending: ExitStack, guest: Role | None
) -> tuple[Any, socket.socket, Account, str | None]:
    if guest is not None and not is_loopback(config.listen_host):
        raise StartRefused("only on loopback can everybody be let in without signing in")
    listener = _listen(config)
    ending.callback(listener.close)
    ending.enter_context(keep(config, say))
    engine, reading = open_store(config)
    reader = Reader(reading)
    refuse_unreadable(reader)
    kept = kept_in(config, reader, Writer(engine))
    broker = join_broker(config, kept.prepared.show.id, say)
    if broker.kept is not None:
        ending.callback(broker.kept.stop)
    journal = SqlJournal(engine)
    ending.callback(journal.close)
    owner_of: list[Owner] = []
    client = BrokerClient(
        broker.account,
        broker.subscriptions,
        f"haunt/{kept.prepared.show.id}/controller/ping",
        kept.clock,
        lambda what: _deliver(owner_of, what),
    )
    running = _running(kept, client, journal, engine, AlertStore(reading, config.data))
    journal.start(running.receipts)
    owner = Owner(running, Scene(running, journal, kept.prepared.labels), kept.clock)
    owner_of.append(owner)
    hub = Hub()
    owner.listen(hub.notify)
    crew = Crew(owner)
    if kept.is_news:
        crew.change_show(kept.prepared.show, kept.version, "start", kept.prepared.labels)
    owner.start()
    ending.callback(owner.stop)
    client.start()
    ending.callback(client.stop)
    store = PeopleStore(engine, reading)
    entrance = Entrance(store, kept.clock, guest)
    base = base_url(config.listen_host, listener.getsockname()[1])
    remember_address(Writer(engine), base)
    set_up = set_up_link(store, base) if guest is None else None
    entrance.start()
    ending.callback(entrance.stop)
    services = Services(
        crew=crew,
        reader=reader,
        keeper=Keeper(kept.read, crew, Writer(engine).save_show, kept.clock.wall_ms, kept.seed),
        hub=hub,
        wall_ms=kept.clock.wall_ms,
        entrance=entrance,
        nights=Nights(reading, lambda: crew.view().time_zone),
        tunes=Weigher(reading, config.data),
        sunset_of=sunset_of,
        hosts=_host_names(config),
        version="0.1.0",
    )
    app = create_app(services)
    app.state.hub = hub
    return app, listener, broker.account, set_up


def _deliver(owner_of: list[Owner], what: Arrival | LinkState) -> bool:
    return owner_of[0].deliver(what)


def _listen(config: Config) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in config.listen_host else socket.AF_INET
        listener = socket.socket(family)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((config.listen_host, config.listen_port))
    except OSError as fault:
        raise StartRefused(
            f"cannot listen on {config.listen_host}:{config.listen_port}: {fault.strerror}. "
            "Is another haunt running? --listen HOST:PORT takes another, port 0 any"
        ) from fault
    listener.listen(128)
    listener.set_inheritable(False)
    return listener


def _host_names(config: Config) -> frozenset[str]:
    own = socket.gethostname().lower()
    return frozenset({config.listen_host.lower(), own, f"{own}.local", *config.names})


def _running(
    kept: Kept, client: BrokerClient, journal: SqlJournal, engine: Engine, shelf: AlertStore
) -> RunningNight:
    reader = Reader(engine)
    known = json.loads(reader.setting("clocks") or "[]")
    clock_id = secrets.token_hex(4)
    Writer(engine).save_setting("clocks", json.dumps([*known, clock_id][-CLOCKS_KEPT:]))
    running = RunningNight(
        Arbiter(kept.prepared.show, sunset_of(kept.read.show), kept.memory),
        client,
        journal,
        clock_id=clock_id,
        known_clocks=frozenset(known),
        number=kept.number,
        charge_of=kept.prepared.charge_of,
        shelf=shelf,
    )
    running.show_version = kept.version
    running.boards.journalled.update(reader.counted())
    return running
