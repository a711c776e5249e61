"""A server that waits while another one runs the show: it reads, says who does, decides nothing.

The night that its pages know of is the one that was kept when it began to wait.
"""

from contextlib import ExitStack
from dataclasses import replace
from typing import Any

from haunt import VERSION
from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.counting import Countings, PackWatch
from haunt.bootstrap.front import Front
from haunt.bootstrap.kept import Kept, kept_in
from haunt.bootstrap.offline import open_store
from haunt.bootstrap.owning import Owning
from haunt.bootstrap.reporting import Nights
from haunt.bootstrap.sheets import sheets_of
from haunt.config import Config
from haunt.core.arbiter import Arbiter
from haunt.live.crew import Crew
from haunt.live.night import RunningNight
from haunt.live.owner import Owner
from haunt.live.ports import JournalCounts, Receipt, Record
from haunt.live.scene import Scene
from haunt.site.app import create_app
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.site.keeper import Keeper
from haunt.site.ports import Services
from haunt.site.rights import Role
from haunt.site.standby import StandIn, Waiting, empty_app
from haunt.store.alerts import AlertStore
from haunt.store.checks import CheckStore
from haunt.store.engines import Engine
from haunt.store.notes import NoteStore
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from haunt.store.shows import ShowShelf
from haunt.store.writer import Writer


class Mute:
    """Satisfies `live.ports.Outbox` and `Journal`: nothing goes out, nothing is written."""

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        del topic, payload, qos, retain
        return False

    def acknowledge(self, receipt: Receipt) -> None: ...

    def put(self, record: Record) -> bool:
        del record
        return False

    def counts(self) -> JournalCounts:
        return JournalCounts(0, 0, 0, "")


def waiting(owning: Owning) -> Waiting:
    """Who runs the show, for the page."""
    owner = owning.seen.owner
    if owner is None:
        return Waiting("", None, owning.trouble)
    return Waiting(owner.address, owner.age_ms, owning.trouble)


def standby_app(
    config: Config, front: Front, owning: Owning, guest: Role | None, ending: ExitStack
) -> Any:
    engine, reading = open_store(config)
    ending.callback(engine.dispose)
    ending.callback(reading.dispose)
    reader, hub = Reader(reading), Hub()
    if reader.show() is None or reader.setting("seed") is None:
        app: Any = empty_app(hub)  # the other one has just begun
    else:
        kept = kept_in(replace(config, show=None), reader, Writer(engine))
        entrance = Entrance(PeopleStore(engine, reading), kept.clock, guest)
        entrance.start()
        ending.callback(entrance.stop)
        app = create_app(_services(kept, (engine, reading), front, hub, entrance))
    app.add_middleware(StandIn, waiting=lambda: waiting(owning))
    app.state.hub = hub
    app.state.is_alive = lambda: True
    return app


def _services(
    kept: Kept, engines: tuple[Engine, Engine], front: Front, hub: Hub, entrance: Entrance
) -> Services:
    engine, reading = engines
    mute, reader = Mute(), Reader(reading)
    running = RunningNight(
        Arbiter(kept.prepared.show, sunset_of(kept.read.show), kept.memory),
        mute,
        mute,
        clock_id="standby",
        known_clocks=frozenset(),
        number=kept.number,
        charge_of=kept.prepared.charge_of,
        shelf=AlertStore(reading, front.data),
        sheets=sheets_of(kept.read, sunset_of(kept.read.show)),
        out=None,
    )
    crew = Crew(Owner(running, Scene(running, mute, kept.prepared.labels), kept.clock))
    keeper = Keeper(kept.read, crew, _unkept, kept.clock.wall_ms, kept.seed, kept.version)
    return Services(
        crew=crew,
        reader=reader,
        keeper=keeper,
        hub=hub,
        wall_ms=kept.clock.wall_ms,
        entrance=entrance,
        counts=Countings(reading, lambda: crew.view().time_zone),
        packs=PackWatch(reading, keeper.kept, kept.clock.wall_ms),
        nights=Nights(reading, lambda: crew.view().time_zone),
        checks=CheckStore(engine, reading),
        sunset_of=sunset_of,
        shelf=ShowShelf(reading),
        notes=NoteStore(engine, reading),
        hosts=front.hosts,
        version=VERSION,
    )


def _unkept(text: str, by: str, at_ms: int) -> int:  # what a page would keep
    del text, by, at_ms
    raise StoreRefused("this server stands by: change it where the show runs")
