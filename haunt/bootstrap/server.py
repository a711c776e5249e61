"""`haunt serve`: builds the night out of what is kept, joins its adapters, runs until told to end.

Order matters: what was decided is known before the first motion is judged, and at the end the
streams close first, the broker last.
"""

import json
import secrets
import signal
import socket
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Protocol

import uvicorn

from haunt.bootstrap.clock import SystemClock, resumed_mono_ms, sunset_of
from haunt.bootstrap.keeping import keep
from haunt.bootstrap.offline import open_store
from haunt.bootstrap.people import base_url, printed, remember_address, set_up_link
from haunt.bootstrap.reporting import Nights
from haunt.bootstrap.weigher import Weigher
from haunt.config import Config, is_loopback
from haunt.core.arbiter import Arbiter
from haunt.core.show import Show
from haunt.live.crew import Crew
from haunt.live.night import RunningNight
from haunt.live.owner import Owner
from haunt.live.ports import Arrival, LinkState
from haunt.live.prepare import Prepared, prepare
from haunt.live.scene import Scene
from haunt.mqtt.client import Account, BrokerClient
from haunt.mqtt.credentials import Credentials
from haunt.mqtt.kept import BrokerFailed, KeptBroker, LibraryBroker, mosquitto
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
from haunt.wire.eventcodec import decode_event
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show

CLOCKS_KEPT = 16
SWITCH_S = 0.0002
"""Measured: the p95 of a round trip with 20 streams halves against 0.5 ms; lower gains nothing."""
GRACE_S = 2
PLAIN = (
    "haunt: plain http: whoever can read along on this network can take over a session. "
    "Keep the show on a Wi-Fi of its own, with a password (WPA2 or WPA3)"
)

Say = Callable[[str], None]


class StartRefused(Exception):  # noqa: N818 - the word says what happened
    """The server cannot start: what stands in the way, and what to do."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What the data folder holds: the show as it is to run, and the state to go on from."""

    read: ReadShow
    version: int
    prepared: Prepared
    memory: dict[str, Any] | None
    number: int
    clock: SystemClock
    seed: int
    is_news: bool


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
    kept = _kept(config, reader, Writer(engine))
    broker = _broker(config, kept.prepared.show.id, say)
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


# --- what is kept


def _kept(config: Config, reader: Reader, writer: Writer) -> Kept:
    stored = reader.show()
    text = _text(config.show) if config.show is not None else None
    if text is None and stored is None:
        raise StartRefused(
            f"{config.data} holds no show yet: give --show FILE "
            "(haunt/examples/first-night.toml is one to start from)"
        )
    last = reader.last_stamp()
    wall_ms = SystemClock(0).wall_ms()
    clock = SystemClock(resumed_mono_ms((last.mono_ms, last.wall_ms) if last else None, wall_ms))
    is_news = text is not None and (stored is None or stored[1] != text)
    if is_news and text is not None:
        read = read_show(text, str(config.show))
        if stored is not None and read_show(stored[1], "show").show.info.id != read.show.info.id:
            raise StartRefused(f"{config.data} belongs to another show; use a folder of its own")
        version = writer.save_show(text, "start", wall_ms)
    else:
        version, text = stored or (0, "")
        read = read_show(text, f"show version {version}")
    seed = _seed(reader, writer)
    prepared = prepare(read.show, seed)
    memory, number = _remember(reader, prepared, read, seed)
    return Kept(read, version, prepared, memory, number, clock, seed, is_news)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise StartRefused(f"show file {path}: {fault}") from fault


def _seed(reader: Reader, writer: Writer) -> int:
    """Chance is drawn once for a data folder, so that its nights can be run again."""
    found = reader.setting("seed")
    if found is None:
        found = str(secrets.randbits(48))
        writer.save_setting("seed", found)
    return int(found)


def _remember(
    reader: Reader, prepared: Prepared, read: ReadShow, seed: int
) -> tuple[dict[str, Any] | None, int]:
    """Rebuild the state: the newest snapshot, then the events after it."""
    snapshot = reader.latest_snapshot()
    start = snapshot.number if snapshot is not None else 0
    arbiter = Arbiter(
        prepared.show, sunset_of(read.show), snapshot.memory if snapshot is not None else None
    )

    def show_of(version: int) -> Show:
        found = reader.show(version)
        if found is None:
            return prepared.show
        return prepare(read_show(found[1], "show").show, seed).show

    number, seen = start, snapshot is not None
    for number, mono_ms, wall_ms, kind, body in reader.events_after(start):  # noqa: B007
        arbiter.handle(decode_event(kind, mono_ms, wall_ms, body, show_of))
        seen = True
    last = reader.last_stamp()
    return (arbiter.snapshot() if seen else None), max(number, last.number if last else 0)


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


# --- the broker


@dataclass(frozen=True, slots=True)
class Joined:
    account: Account
    subscriptions: Sequence[tuple[str, int]]
    kept: KeptBroker | LibraryBroker | None


def _broker(config: Config, show: str, say: Say) -> Joined:
    from haunt.wire.topics import Topics  # noqa: PLC0415

    wanted = [(each.topic, each.qos) for each in Topics(show).controller_subscriptions()]
    if config.broker not in ("auto", "library"):
        return Joined(_foreign(config.broker, f"{show}-controller"), wanted, None)
    credentials = Credentials(config.data / "broker", show)
    binary = mosquitto() if config.broker == "auto" else None
    kept: KeptBroker | LibraryBroker
    if binary is not None:
        kept = KeptBroker(binary, credentials, config.mqtt_host, config.mqtt_port).start()
        say(f"haunt: broker on {kept.host}:{kept.port}, kept in {config.data / 'broker'}")
    elif is_loopback(config.mqtt_host) and is_loopback(config.listen_host):
        kept = LibraryBroker(credentials, config.mqtt_port).start()
        say(
            f"haunt: no Mosquitto in use, so a small broker runs on {kept.host}:{kept.port}. It is "
            "for trying out: for a night install Mosquitto (apt-get install mosquitto)"
        )
    else:
        raise StartRefused(
            "no Mosquitto in use, and the broker that comes with haunt is never opened to a "
            "network. Install it (apt-get install mosquitto), or name one with "
            "--broker mqtt://HOST:PORT"
        )
    account = Account(
        "127.0.0.1" if kept.host == "0.0.0.0" else kept.host,  # noqa: S104 - compares, binds nothing
        kept.port,
        credentials.controller,
        credentials.controller_password(),
    )
    return Joined(account, wanted, kept)


def _foreign(url: str, client_id: str) -> Account:
    import ssl  # noqa: PLC0415
    from urllib.parse import unquote, urlsplit  # noqa: PLC0415

    parts = urlsplit(url)
    secure = parts.scheme == "mqtts"
    return Account(
        parts.hostname or "127.0.0.1",
        parts.port or (8883 if secure else 1883),
        unquote(parts.username) if parts.username else None,
        unquote(parts.password) if parts.password else None,
        client_id,
        ssl.create_default_context() if secure else None,
    )
