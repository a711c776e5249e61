"""The state of a running night, wired for speed: every object holds its neighbours directly.

One mutable, slotted value; nothing here decides anything. What is wired on top of `memory` follows
from the show.
"""

from dataclasses import dataclass, field
from heapq import heapify, heappush
from typing import NamedTuple

from haunt.core.calendar import Calendar, Piece
from haunt.core.clockwork import Timetable
from haunt.core.decisions import Decision, Effect, MotionKey, Outcome, Source, TellStop
from haunt.core.memory import BoardMemory, NightMemory, PropMemory, SensorMemory
from haunt.core.show import Behaviour, BoardSpec, LoadSpec, PropSpec, SensorSpec, Show

SEEN_BOOTS_MAX = 8
"""Boots of a board whose motions are known again: the latest, and those before it."""

STRANGERS_MAX = 64
WALKING_MAX = 64
"""Items still walking towards one prop; beyond it a later one is refused `already-waiting`."""

RECENT_MAX = 32
"""Sightings kept by a sensor that a link asks whether it saw people before; others keep none."""

PASSES = -1
FOR_EVER = 1 << 60
"""An instant that never comes, for what clears only by hand or by a change."""


@dataclass(slots=True)
class Play:
    """A behaviour under way, with what must be put back if the board refuses it."""

    cue: str
    behaviour: Behaviour
    started_ms: int
    before: "tuple[int | None, int | None, str | None]" = (None, None, None)
    line: str | None = None
    said: list[str] | None = None

    @property
    def busy_until_ms(self) -> int:
        return self.started_ms + self.behaviour.max_ms


@dataclass(slots=True, eq=False)
class Item:
    """One trigger on its way to one prop. `sensor` is None for hand and timetable."""

    prop: "Prop"
    source: Source
    cue: str
    due_ms: int
    arrival: int
    motion: MotionKey | None = None
    sensor: "Sensor | None" = None
    happened_ms: int = 0
    late_ms: int = PASSES
    behaviour: str | None = None
    hands_clear: bool = False
    wake_ms: int = 0
    alive: bool = True


@dataclass(slots=True, eq=False)
class Prop(PropMemory):
    spec: PropSpec = field(kw_only=True)
    board: "Board" = field(kw_only=True)
    play: Play | None = None
    waiting: Item | None = None
    neighbours: "tuple[Prop, ...]" = ()
    voice_neighbours: "tuple[Prop, ...]" = ()
    affected: "frozenset[Prop]" = frozenset()
    feeders: "tuple[Sensor, ...]" = ()
    peaks: "tuple[tuple[Load, int], ...]" = ()
    narrows: bool = False
    duty_ms: int | None = None
    longest_ms: int = 0
    patience_ms: int = 0
    allowed: tuple[Behaviour, ...] = ()
    allowed_in: Piece | None = None


@dataclass(slots=True, eq=False)
class Board(BoardMemory):
    spec: BoardSpec = field(kw_only=True)
    props: tuple[Prop, ...] = ()
    sensors: "tuple[Sensor, ...]" = ()


class Way(NamedTuple):
    """A link, wired. It carries its prop's id, so that a refusal need not look at the prop."""

    id: str
    prop: Prop
    delay_ms: int
    after: "Sensor | None"
    within_ms: int


@dataclass(slots=True, eq=False)
class Sensor(SensorMemory):
    spec: SensorSpec = field(kw_only=True)
    board: Board = field(kw_only=True)
    links: "tuple[Way, ...]" = ()
    sees: tuple[Prop, ...] = ()
    asked: bool = False


@dataclass(slots=True, eq=False)
class Load:
    """A shared limit and what plays on it now: prop id to amount and its latest end."""

    spec: LoadSpec
    total: int = 0
    playing: dict[str, tuple[int, int]] = field(default_factory=dict)

    def over(self, amount: int, at_ms: int, now_ms: int) -> bool:
        """Say whether this much more would pass the limit at an instant from now on."""
        spare = self.spec.limit - amount
        if self.total <= spare or at_ms <= now_ms:
            return self.total > spare
        for have, until in self.playing.values():
            if until > at_ms:
                spare -= have
        return spare < 0


@dataclass(slots=True, eq=False)
class Night(NightMemory):
    """`owed` counts motions x max(1, links): what fired, refused and lapsed must add up to."""

    show: Show = field(kw_only=True)
    calendar: Calendar = field(kw_only=True)
    boards: dict[str, Board] = field(default_factory=dict)
    sensors: dict[str, Sensor] = field(default_factory=dict)
    props: dict[str, Prop] = field(default_factory=dict)
    loads: list[Load] = field(default_factory=list)
    timetable: dict[int, Timetable] = field(default_factory=dict)
    strangers: dict[str, BoardMemory] = field(default_factory=dict)
    waiting: dict[str, Item] = field(default_factory=dict)
    items: dict[int, Item] = field(default_factory=dict)
    heap: list[tuple[int, int, Item | Prop | None]] = field(default_factory=list)
    agenda: list[Item] = field(default_factory=list)
    effects: list[Effect] = field(default_factory=list)
    touched: set[str] = field(default_factory=set)
    pushes: int = 0
    events: int = 0

    @property
    def wall_ms(self) -> int:
        return self.now_ms + self.offset_ms

    def piece(self) -> Piece:
        return self.calendar.piece(self.now_ms + self.offset_ms)

    def wake(self, at_ms: int, what: Item | Prop | None) -> None:
        """Ask for a look at an instant. Old entries are recognised when they come up."""
        self.pushes += 1
        heappush(self.heap, (at_ms, self.pushes, what))

    def forget_overtaken(self) -> None:
        """Keep only timers that still mean something.

        A board that refuses cue upon cue would fill the heap with ends that never come.
        """
        self.heap[:] = [each for each in self.heap if self.is_wanted(each[0], each[2])]
        heapify(self.heap)

    def is_wanted(self, at_ms: int, what: Item | Prop | None) -> bool:
        """Say whether a timer still means something."""
        if isinstance(what, Item):
            return what.alive and what.wake_ms == at_ms
        if isinstance(what, Prop):
            return what.play is not None and what.play.busy_until_ms == at_ms
        return self.release_at_ms == at_ms

    def rise_above(self, epoch: int) -> None:
        """Begin a new epoch and tell it: no cue of an older one can play after."""
        self.epoch = epoch + 1
        self.effects.append(TellStop(self.stopped, self.epoch, self.now_ms))

    def new_item(  # noqa: PLR0913 - a trigger is all of this
        self,
        prop: Prop,
        source: Source,
        cue: str,
        due_ms: int,
        *,
        happened_ms: int,
        motion: MotionKey | None = None,
        sensor: "Sensor | None" = None,
        behaviour: str | None = None,
        hands_clear: bool = False,
    ) -> Item:
        """Make a trigger, the next in the order of arrivals."""
        arrival = self.arrivals
        self.arrivals = arrival + 1
        return Item(
            prop,
            source,
            cue,
            due_ms,
            arrival,
            motion,
            sensor,
            happened_ms,
            PASSES,
            behaviour,
            hands_clear,
        )

    def relook(self, prop: Prop) -> None:
        """Something that bars this prop's waiting item may have changed."""
        if prop.waiting is not None:
            self.agenda.append(prop.waiting)

    def relook_around(self, prop: Prop) -> None:
        """A start or an end of this prop changed what bars those it affects."""
        self.touched.add(prop.spec.id)
        if not self.waiting:
            return
        if prop.waiting is not None:
            self.agenda.append(prop.waiting)
        affected = prop.affected
        if len(affected) < len(self.waiting):
            self.agenda += [other.waiting for other in affected if other.waiting is not None]
        else:
            self.agenda += [item for item in self.waiting.values() if item.prop in affected]

    def decide(
        self,
        item: Item,
        outcome: Outcome,
        reason: str | None,
        margin: int | None = None,
        behaviour: str | None = None,
    ) -> None:
        """End an item: the one decision it gets."""
        self._forget(item)
        prop, sensor = item.prop, item.sensor
        self.count(item.source, outcome)
        self.touched.add(prop.spec.id)
        now = self.now_ms
        self.effects.append(
            Decision(
                now,
                now + self.offset_ms,
                item.source,
                item.motion,
                sensor.spec.id if sensor is not None else None,
                prop.spec.id,
                outcome,
                reason,
                behaviour,
                item.cue if outcome is Outcome.FIRED else None,
                max(0, now - item.due_ms),
                margin,
            )
        )

    def refuse(
        self, motion: MotionKey, sensor: str, prop: str | None, due_ms: int, why: str, margin: int
    ) -> None:
        """Decide a motion for a prop, or for none, without an item: most end at a sensor's rule."""
        self.refused += 1
        now = self.now_ms
        self.effects.append(
            Decision(
                now,
                now + self.offset_ms,
                Source.MOTION,
                motion,
                sensor,
                prop,
                Outcome.REFUSED,
                why,
                None,
                None,
                now - due_ms if due_ms < now else 0,
                margin or None,
            )
        )

    def count(self, source: Source, outcome: Outcome) -> None:
        """Count a decision; the law of conservation speaks of motion only."""
        if source is not Source.MOTION:
            return
        if outcome is Outcome.FIRED:
            self.fired += 1
        elif outcome is Outcome.REFUSED:
            self.refused += 1
        else:
            self.lapsed += 1

    def _forget(self, item: Item) -> None:
        item.alive = False
        self.items.pop(item.arrival, None)
        prop = item.prop
        if prop.waiting is item:
            prop.waiting = None
            self.waiting.pop(prop.spec.id, None)
