"""A data folder with a short night in it, made by the real arbiter: for what restarts find."""

from pathlib import Path

from haunt.bootstrap.kept import Memory, remember
from haunt.bootstrap.offline import open_store
from haunt.config import Config
from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, SendCue
from haunt.live.ports import Record
from haunt.live.prepare import prepare
from haunt.store.ledger import Ledger
from haunt.store.reader import Reader
from haunt.store.writer import Writer
from haunt.wire.showfile import read_show
from tests.core.stage import BOOT, EVENING

SEED = 7
SHOW = """
[show]
id = "yard"
time_zone = "UTC"

[[board]]
id = "gate"

[[sensor]]
id = "gate-mat"
board = "gate"
kind = "mat"

[[prop]]
id = "keeper"
board = "gate"
cooldown_s = 1

[[prop.behaviour]]
id = "growl"
duration_s = 1

[[link]]
sensor = "gate-mat"
prop = "keeper"
"""


def config_of(data: Path, *, show: Path | None = None) -> Config:
    return Config(data, "127.0.0.1", 0, "127.0.0.1", 0, "auto", "", show)


def lay(config: Config, *, motions: int = 60, snapshot_every: int = 20) -> None:
    """Fill the folder: a motion every 3 s, the prop held at the end, snapshots on the way."""
    writing, reading = open_store(config)
    Writer(writing).save_show(SHOW, "test", EVENING)
    Writer(writing).save_setting("seed", str(SEED))
    arbiter = Arbiter(prepare(read_show(SHOW, "show").show, SEED).show)
    ledger = Ledger(writing)
    happened: list[events.Event] = [
        events.Started(1000, EVENING),
        events.LinkChanged(1001, EVENING, up=True),
        events.BoardHere(1002, EVENING, "gate", BOOT, 3_600_000, "power-on"),
    ]
    for seq in range(1, motions + 1):
        at = 2000 + 3000 * seq
        happened.append(events.Motion(at, EVENING + at, "gate", "gate-mat", BOOT, seq))
    happened.append(events.Held(at + 1, EVENING + at + 1, "keeper", None, "mara"))
    for number, event in enumerate(happened, 1):
        effects = arbiter.handle(event)
        snapshot = arbiter.snapshot() if number % snapshot_every == 0 else None
        ledger.write(
            [
                Record(
                    number,
                    event.mono_ms,
                    event.wall_ms,
                    event,
                    tuple(each for each in effects if isinstance(each, Decision)),
                    cues=tuple(each for each in effects if isinstance(each, SendCue)),
                    snapshot=snapshot,
                    show_version=1,
                )
            ]
        )
    ledger.close()
    writing.dispose()
    reading.dispose()


def state_of(config: Config) -> Memory:
    """Return what a start would find."""
    writing, reading = open_store(config)
    try:
        reader = Reader(reading)
        stored = reader.show()
        assert stored is not None
        read = read_show(stored[1], "show")
        return remember(reader, prepare(read.show, SEED), read, SEED)
    finally:
        writing.dispose()
        reading.dispose()
