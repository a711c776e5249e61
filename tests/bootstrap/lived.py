"""A data folder with drawn nights in it, decided by the real arbiter: for what is learned of them.

`python -m tests.bootstrap.lived FOLDER [GROUPS]` fills one with the example garden.
"""

import sys
from collections.abc import Iterable
from pathlib import Path

from haunt.bootstrap.clock import sunset_of
from haunt.bootstrap.offline import open_store
from haunt.config import Config
from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Effect, SendCue
from haunt.core.events import Event
from haunt.core.night import Night
from haunt.live.ports import HealthRow, Record
from haunt.live.prepare import prepare
from haunt.store.ledger import Ledger
from haunt.store.writer import Writer
from haunt.study.chance import Chance
from haunt.study.measures import draws_of
from haunt.study.rehearsal import AFTER_MS, BEFORE_MS, Evening, Ground, Plan, ground_of
from haunt.study.rundown import Packs
from haunt.study.telling import recording_of
from haunt.study.traffic import arrivals
from haunt.study.walkers import Span, a_walk, seen_by
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile

SEED = 11
GARDEN = Path(__file__).parents[2] / "haunt" / "examples" / "garden.toml"
HEALTH_EVERY = 5


def config_of(data: Path) -> Config:
    return Config(data, "127.0.0.1", 0, "127.0.0.1", 0, "auto", "", None)


class Overheard:
    """Satisfies what a stage wants of an arbiter; keeps each event with what came of it."""

    def __init__(self, arbiter: Arbiter) -> None:
        self._arbiter = arbiter
        self.heard: list[tuple[Event, list[Effect]]] = []

    @property
    def night(self) -> Night:
        return self._arbiter.night

    def next_due_ms(self) -> int | None:
        return self._arbiter.next_due_ms()

    def handle(self, event: Event) -> list[Effect]:
        effects = self._arbiter.handle(event)
        self.heard.append((event, effects))
        return effects

    def advance(self, mono_ms: int) -> list[Effect]:
        effects = self._arbiter.advance(mono_ms)
        if effects:
            self.heard.append((events.Ticked(mono_ms, mono_ms), effects))
        return effects


def lived(ground: Ground, plan: Plan, seed: int) -> list[tuple[Event, list[Effect]]]:
    """Live one night; the show's own seed decides, another draws who comes."""
    chance = Chance(seed, "walks")
    entered = arrivals(
        plan.profile, plan.groups, ground.opens_ms, ground.closes_ms, lambda _ms: 0, chance
    )
    pace = ground.file.info.walking_speed_m_s
    walks = [a_walk(at_ms, len(ground.sights), pace, chance, plan.habits) for at_ms in entered]
    seen = seen_by(ground.sights, walks, plan.faults.missed, Chance(seed, "eyes"))
    night = Span(ground.opens_ms - BEFORE_MS, ground.closes_ms + AFTER_MS)
    recording = recording_of(ground.show, ground.sights, seen, plan.faults, night, seed)
    packs = Packs(ground.show, draws_of(ground.file))
    stage = Evening(recording, ground.show, ground.sunset, packs)
    overheard = Overheard(Arbiter(ground.show, ground.sunset))
    stage._arbiter = overheard  # type: ignore[assignment]
    stage.run()
    return overheard.heard


def lay(data: Path, text: str, plan: Plan, *, last: int = 99) -> list[str]:
    """Fill the folder with every night that the show file names; return their dates."""
    writing, reading = open_store(config_of(data))
    file = read_show(text, "show").show
    opens = [
        ground_of(_only(text, n), plan, sunset_of(file)).opens_ms for n in range(len(file.nights))
    ]
    Writer(writing).save_show(text, "start", min(opens) - 86_400_000)
    Writer(writing).save_setting("seed", str(SEED))
    ledger, number = Ledger(writing), 0
    for n in range(len(file.nights))[:last]:
        ground = ground_of(_only(text, n), plan, sunset_of(file))
        ground = ground._replace(show=prepare(file, SEED).show)
        records = list(_records(lived(ground, plan, SEED + n), number))
        for at in range(0, len(records), 500):
            ledger.write(records[at : at + 500])
        number += len(records)
    writing.dispose()
    reading.dispose()
    return [str(each.date) for each in file.nights][:last]


def _only(text: str, number: int) -> ShowFile:
    file = read_show(text, "show").show
    return file.model_copy(update={"nights": (file.nights[number],)})


def _records(heard: Iterable[tuple[Event, list[Effect]]], number: int) -> Iterable[Record]:
    counted: dict[tuple[str, str], dict[str, int]] = {}
    told: dict[str, int] = {}
    for event, effects in heard:
        number += 1
        record = Record(
            number,
            event.mono_ms,
            event.wall_ms,
            event,
            decisions=tuple(each for each in effects if isinstance(each, Decision)),
            cues=tuple(each for each in effects if isinstance(each, SendCue)),
            show_version=1,
        )
        if isinstance(event, events.Motion):
            mine = counted.setdefault((event.board, event.boot), {})
            mine[event.sensor] = mine.get(event.sensor, 0) + 1
        if isinstance(event, events.BoardHealth):
            told[event.board] = told.get(event.board, 0) + 1
            if told[event.board] % HEALTH_EVERY == 1:
                percent = event.charge_percent
                record.health = HealthRow(
                    event.board,
                    event.boot,
                    event.up_ms,
                    None if percent is None else 7400,
                    percent,
                    -60,
                    event.reset,
                    {},
                    dict(counted.get((event.board, event.boot), {})),
                )
        yield record


if __name__ == "__main__":
    many = float(sys.argv[2]) if len(sys.argv) > 2 else 150
    print(lay(Path(sys.argv[1]), GARDEN.read_text(), Plan(groups=many)))
