"""`haunt serve`: builds the night out of what is kept, joins its adapters, runs until told to end.

Order matters: what was decided is known before the first motion is judged, and at the end the
streams close first, the broker last.
"""

import gc
import json
import secrets
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, NamedTuple, Protocol

from haunt import VERSION
from haunt.bootstrap import logs
from haunt.bootstrap.backupbook import Backups
from haunt.bootstrap.broker import Joined, foreign_account, join_broker, let_go
from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.counting import Countings, PackWatch
from haunt.bootstrap.errands import Errands
from haunt.bootstrap.folder import alone
from haunt.bootstrap.front import Front, Turns
from haunt.bootstrap.keeping import Keeping, keep
from haunt.bootstrap.kept import Kept, kept_in
from haunt.bootstrap.keyring import keyring_of
from haunt.bootstrap.later import Later
from haunt.bootstrap.linebook import LineShelf
from haunt.bootstrap.offline import opened_store
from haunt.bootstrap.owning import Owning, place_of
from haunt.bootstrap.people import printed, remember_address, set_up_link
from haunt.bootstrap.press import press_of
from haunt.bootstrap.reach import Reach
from haunt.bootstrap.refusal import StartRefused
from haunt.bootstrap.rehearsal import Rehearser
from haunt.bootstrap.reporting import Nights
from haunt.bootstrap.sheets import recall, sheets_of
from haunt.bootstrap.standby import standby_app, waiting
from haunt.bootstrap.tls import authority_of
from haunt.bootstrap.webhook import Webhook, post_to
from haunt.bootstrap.weigher import Weigher
from haunt.config import Config, is_loopback
from haunt.core.arbiter import Arbiter
from haunt.live.crew import Crew
from haunt.live.loglines import Told
from haunt.live.night import RunningNight
from haunt.live.owner import Owner
from haunt.live.ports import Arrival, LinkState
from haunt.live.scene import Scene
from haunt.mqtt.client import Account, BrokerClient
from haunt.mqtt.listening import BrokerFailed
from haunt.site.app import create_app
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.keeper import Keeper
from haunt.site.ports import Services
from haunt.site.rights import Role
from haunt.store.alerts import AlertStore
from haunt.store.boardrows import BoardHistory
from haunt.store.checks import CheckStore
from haunt.store.engines import Engine, database_file
from haunt.store.journal import SqlJournal
from haunt.store.latch import StopLatch
from haunt.store.linerows import LineStore
from haunt.store.notes import NoteStore
from haunt.store.ownership import Ownership
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader, refuse_unreadable
from haunt.store.refusal import StoreRefused
from haunt.store.shows import ShowShelf
from haunt.store.writer import Writer
from haunt.wire.payloads import Stop
from haunt.wire.showerrors import ShowFileRefused

CLOCKS_KEPT = 16
SWITCH_S = 0.0002
"""Measured: the p95 of a round trip with 20 streams halves against 0.5 ms; lower gains nothing."""

Say = Callable[[str], None]


class Company(Protocol):
    """Simulated boards and people that join a server once its broker answers."""

    def start(self, host: str, port: int) -> None: ...
    def stop(self) -> None: ...


class Run(NamedTuple):
    """What holds from the first turn to the last, the configuration but for the show file."""

    config: Config
    front: Front
    turns: Turns
    say: Say
    guest: Role | None
    owning: Owning | None = None


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
    logs.set_up(config.log, sys.stderr)
    with ExitStack() as ending:
        try:
            front = _front(config, guest)
            ending.callback(front.close)
            turns = Turns()
            owning = _owning(config, front, turns, ending)
            run = Run(config, front, turns, say, guest, owning)
            _one_turn(run, company, opened)
            while run.turns.is_another:
                say("haunt: starting again")
                # The show file that was named at the start has been taken; what is kept counts now.
                run = run._replace(config=replace(config, show=None))
                _one_turn(run)
        except (StartRefused, StoreRefused, BrokerFailed) as refused:
            say(f"haunt: {refused}")
            return 1
        except ShowFileRefused as refused:
            for fault in refused.faults:
                say(f"haunt: {fault}")
            return 1
    return 0


def _owning(config: Config, front: Front, turns: Turns, ending: ExitStack) -> Owning | None:
    """Of several servers on one database one runs the show; a file is had by one alone anyway."""
    if database_file(config.data, config.database) is not None:
        return None
    ending.enter_context(alone(config.data / "owning"))
    with opened_store(config):
        pass  # it has its tables before anybody asks it who runs the show
    place = place_of(config.data / "owning")
    owning = Owning(Ownership(config.database, front.url, place), turns.again)
    ending.callback(owning.stop)
    owning.start()
    return owning


def _front(config: Config, guest: Role | None) -> Front:
    if guest is not None and not is_loopback(config.listen_host):
        raise StartRefused("only on loopback can everybody be let in without signing in")
    return Front(config)


def _one_turn(
    run: Run,
    company: Company | None = None,
    opened: Callable[[str], None] = lambda _url: None,
) -> None:
    say, front, owning = run.say, run.front, run.owning
    run.turns.fresh()
    if owning is not None and not owning.owns:
        _stand_by(run, owning, opened)
        return
    with ExitStack() as ending:
        app, account, set_up = _build(run, ending)
        for line in front.words(datetime.now(UTC)):
            say(line)
        if set_up is not None:
            for line in printed(set_up, "nobody owns this show yet. This makes an owner, once:"):
                say(line)
        if company is not None:
            company.start(account.host, account.port)
            ending.callback(company.stop)
        opened(front.url)
        _leave_alone_what_stays()
        front.serve(app, app.state.hub, run.turns)


def _leave_alone_what_stays() -> None:
    """What is there now stays to the end of the turn: no collection need look through it again.

    A look at all of it held up cues for 100 to 190 ms, some times a minute.
    """
    gc.unfreeze()  # of an earlier turn
    gc.collect()
    gc.freeze()


def _stand_by(run: Run, owning: Owning, opened: Callable[[str], None]) -> None:
    """Serve what can be read until the show is ours, or the end."""
    run.say(f"haunt: {waiting(owning).said}. This server's pages are on {run.front.url}")
    with ExitStack() as ending:
        if run.config.has_foreign_broker:
            account = foreign_account(run.config.broker, "", run.config.broker_ca)
            owning.standing_by(ending.enter_context(Reach(account)).holds)
        else:
            run.say(
                "haunt: taking over it would have a broker of its own, where no board is: name the "
                "one that both share with --broker mqtt://HOST:PORT"
            )
        app = standby_app(run.config, run.front, owning, run.guest, ending)
        opened(run.front.url)
        run.front.serve(app, app.state.hub, run.turns)


class _House(NamedTuple):
    """What a turn stands on: the store, what it has kept, the broker."""

    engine: Engine
    reading: Engine
    kept: Kept
    broker: Joined
    keeping: Keeping

    @property
    def reader(self) -> Reader:
        return Reader(self.reading)

    @property
    def writer(self) -> Writer:
        return Writer(self.engine)


def _build(run: Run, ending: ExitStack) -> tuple[Any, Account, str | None]:
    house, hub = _house(run, ending), Hub()
    crew = _crew(run, house, hub, ending)
    store = PeopleStore(house.engine, house.reading)
    entrance = Entrance(store, house.kept.clock, run.guest)
    remember_address(house.writer, run.front.url)
    set_up = set_up_link(store, run.front.url) if run.guest is None else None
    entrance.start()
    ending.callback(entrance.stop)
    app = create_app(_services(run, house, hub, crew, entrance, ending))
    app.state.hub = hub
    return app, house.broker.account, set_up


def _house(run: Run, ending: ExitStack) -> _House:
    config = run.config
    keeping = ending.enter_context(keep(config, run.say))
    engine, reading = ending.enter_context(opened_store(config))
    refuse_unreadable(Reader(reading))
    kept = kept_in(config, Reader(reading), Writer(engine))
    broker = join_broker(config, kept.prepared.show.id, run.say)
    ending.callback(lambda: let_go(broker.kept, leave_running=run.turns.is_another))
    return _House(engine, reading, kept, broker, keeping)


def _crew(run: Run, house: _House, hub: Hub, ending: ExitStack) -> Crew:
    """Begin the night: what it was is known before its first motion is judged."""
    config, owning, kept = run.config, run.owning, house.kept
    epoch, fence = owning.fence if owning is not None else (0, "")
    journal = SqlJournal(house.engine, fence=fence)
    ending.callback(journal.close)
    owner_of: list[Owner] = []
    client = BrokerClient(
        house.broker.account,
        house.broker.subscriptions,
        f"haunt/{kept.prepared.show.id}/controller/ping",
        kept.clock,
        lambda what: _deliver(owner_of, what),
        may_speak=owning.holds if owning is not None else lambda: True,
    )
    out = _alerts_out(config, kept.prepared.show.id, ending)
    shelf = AlertStore(house.reading, config.data)
    running = _running(kept, client, journal, house.engine, shelf, out)
    running.epoch_floor = epoch
    if owning is not None:
        running.receipts.wait_ms = owning.patience_ms
        owning.silent_ms = client.silent_ms
    _latch_stops(running, config, ending)
    journal.start(Told(running.receipts))
    owner = Owner(running, Scene(running, journal, kept.prepared.labels), kept.clock)
    owner_of.append(owner)
    owner.listen(hub.notify)
    crew = Crew(owner)
    if kept.is_news:
        crew.change_show(kept.prepared.show, kept.version, "start", kept.prepared.labels)
    owner.start()
    ending.callback(owner.stop)
    client.start()
    ending.callback(client.stop)
    return crew


def _services(
    run: Run, house: _House, hub: Hub, crew: Crew, entrance: Entrance, ending: ExitStack
) -> Services:
    config, front, kept = run.config, run.front, house.kept
    engine, reading, reader, writer = house.engine, house.reading, house.reader, house.writer
    wall_ms = kept.clock.wall_ms
    keeper = Keeper(kept.read, crew, writer.save_show, wall_ms, kept.seed, kept.version)
    errands = Errands(settings={"HAUNT_DATABASE": config.database} if config.database else {})
    ending.callback(errands.stop)
    later = Later(keeper, wall_ms, sunset_of, writer.save_setting, reader.setting)
    later.start()
    ending.callback(later.stop)
    lines = LineShelf(LineStore(engine, reading), keeper, config.data, errands, wall_ms)
    return Services(
        crew=crew,
        reader=reader,
        keeper=keeper,
        hub=hub,
        wall_ms=wall_ms,
        entrance=entrance,
        counts=Countings(reading, lambda: crew.view().time_zone),
        packs=PackWatch(reading, keeper.kept, wall_ms),
        nights=Nights(reading, lambda: crew.view().time_zone),
        tunes=Weigher(reading, config.data, errands),
        later=later,
        rehearsals=Rehearser(config.data, errands),
        checks=CheckStore(engine, reading),
        sunset_of=sunset_of,
        shelf=ShowShelf(reading),
        notes=NoteStore(engine, reading),
        hosts=front.hosts,
        trust=authority_of(config) if front.certificate is not None else None,
        backups=Backups(config, house.keeping, run.turns.again, lambda: hub.closing),
        keyring=keyring_of(config, kept.prepared.show.id, house.broker, keeper.toml),
        press=press_of(config, front, reader, writer, run.say, ending),
        boards=BoardHistory(reading),
        lines=_line_shelf(lines, ending),
        other=run.owning.other if run.owning is not None else lambda: "",
        version=VERSION,
    )


def _latch_stops(running: RunningNight, config: Config, ending: ExitStack) -> None:
    latch = StopLatch(config.data / "stop")
    ending.callback(latch.close)
    stopped, epoch = latch.read()
    running.known_stop = Stop(stopped=stopped, epoch=epoch, at_ms=0)
    running.latch = latch.note
    latch.start()


def _line_shelf(shelf: LineShelf, ending: ExitStack) -> LineShelf:
    shelf.start()
    ending.callback(shelf.stop)
    return shelf


def _alerts_out(config: Config, show: str, ending: ExitStack) -> Webhook | None:
    if not config.webhook:
        return None
    out = Webhook(show, post_to(config.webhook))
    out.start()
    ending.callback(out.stop)
    return out


def _deliver(owner_of: list[Owner], what: Arrival | LinkState) -> bool:
    return owner_of[0].deliver(what)


def _running(
    kept: Kept,
    client: BrokerClient,
    journal: SqlJournal,
    engine: Engine,
    shelf: AlertStore,
    out: Webhook | None,
) -> RunningNight:
    reader = Reader(engine)
    known = json.loads(reader.setting("clocks") or "[]")
    clock_id = secrets.token_hex(4)
    Writer(engine).keep_if_possible("clocks", json.dumps([*known, clock_id][-CLOCKS_KEPT:]))
    running = RunningNight(
        Arbiter(kept.prepared.show, sunset_of(kept.read.show), kept.memory),
        client,
        journal,
        clock_id=clock_id,
        known_clocks=frozenset(known),
        number=kept.number,
        charge_of=kept.prepared.charge_of,
        shelf=shelf,
        sheets=sheets_of(kept.read, sunset_of(kept.read.show)),
        out=out,
    )
    recall(running.forecasts, engine, kept.clock.mono_ms(), kept.clock.wall_ms())
    running.show_version = kept.version
    running.boards.journalled.update(reader.counted())
    return running
