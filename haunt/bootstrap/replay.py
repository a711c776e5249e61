"""Runs a recorded journal again, event by event, and holds every decision against the record."""

from collections.abc import Iterator
from dataclasses import dataclass

from haunt.bootstrap.clock import sunset_of
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision
from haunt.core.show import Show
from haunt.live.prepare import prepare
from haunt.live.sentences import sentence
from haunt.store.engines import Engine
from haunt.store.nightevents import recorded
from haunt.store.reader import Reader
from haunt.wire.showfile import read_show
from haunt.wire.showmodels import ShowFile


@dataclass(frozen=True, slots=True)
class Divergence:
    """The first event whose decisions differ: what the journal has and what came of it now."""

    number: int
    wall_ms: int
    kind: str
    journal: tuple[Decision, ...]
    again: tuple[Decision, ...]

    def words(self) -> Iterator[str]:
        yield f"event {self.number} ({self.kind}) differs"
        for name, decisions in (("journal", self.journal), ("again  ", self.again)):
            for each in decisions:
                yield f"  {name}  {each.prop}: {sentence(each._asdict())} [{each.cue or '-'}]"
            if not decisions:
                yield f"  {name}  nothing was decided"


@dataclass(frozen=True, slots=True)
class Replayed:
    events: int
    decisions: int
    divergence: Divergence | None


def replay(engine: Engine) -> Replayed | str:
    """Run all that the journal holds, over restarts and changes of the show; or say what lacks."""
    shows = _Shows(engine)
    first = shows.first()
    if first is None:
        return "there is no show yet"
    arbiter = Arbiter(shows.show(first), sunset_of(first))
    events = decisions = 0
    for each in recorded(engine, shows.of):
        effects = arbiter.handle(each.event)
        again = tuple(d for d in effects if isinstance(d, Decision))
        events += 1
        decisions += len(again)
        if [_told(d) for d in again] != [_told(d) for d in each.decisions]:
            kind = type(each.event).__name__
            found = Divergence(each.number, each.event.wall_ms, kind, each.decisions, again)
            return Replayed(events, decisions, found)
    return Replayed(events, decisions, None)


def _told(decision: Decision) -> tuple[object, ...]:
    """All but the instant on the steady clock, which the journal keeps with the event."""
    return decision[1:]


class _Shows:
    """Show files by version, prepared with the seed that the nights were drawn with."""

    def __init__(self, engine: Engine) -> None:
        self._reader = Reader(engine)
        self._seed = int(self._reader.setting("seed") or 1)
        self._known: dict[int, Show] = {}

    def first(self) -> ShowFile | None:
        """Return the oldest version: what a night began with is what was kept before it."""
        for version in range(1, 1 + (self._reader.show() or (0, ""))[0]):
            kept = self._reader.show(version)
            if kept is not None:
                return read_show(kept[1], f"show version {version}").show
        return None

    def show(self, file: ShowFile) -> Show:
        return prepare(file, self._seed).show

    def of(self, version: int) -> Show:
        if version not in self._known:
            kept = self._reader.show(version)
            assert kept is not None, f"the journal names show version {version}, which is not kept"
            self._known[version] = self.show(read_show(kept[1], f"show version {version}").show)
        return self._known[version]
