"""All that happened in a night, and the questions that are answered by reading it from the start.

Nothing is remembered here that could be read again; it decides nothing.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from statistics import median_low
from typing import TypeVar

from haunt.core import events
from haunt.core.clockwork import PhaseSpec, TimeOfDay
from haunt.core.decisions import Decision, SendCue, TellStop
from haunt.core.events import Event
from haunt.core.show import Behaviour, Line, PropSpec, SensorSpec, Show
from tests.model import hours

FOREVER = 1 << 60
POWERED_UP = ("power-on", "brown-out", "unknown")
GENTLE = PhaseSpec("gentle", TimeOfDay(0), TimeOfDay(0), 2, 0)
EXTENSION_LASTS_MS = 18 * 3_600_000
Effect = Decision | SendCue | TellStop
E = TypeVar("E", bound=Event)


@dataclass(frozen=True, slots=True)
class Released(Event):
    """A release has counted to its end. Nobody sends it; it is written down when it happens."""


@dataclass(slots=True)
class Play:
    """One start. `motor_until` is planned until the play was cut short."""

    spec: PropSpec
    cue: str
    behaviour: Behaviour
    start: int
    until: int
    motor_until: int
    line: Line | None = None
    again: tuple[Line, ...] = ()


@dataclass(slots=True)
class Seen:
    """One motion as it came; `passed` if no rule of its sensor barred it."""

    sensor: str
    happened: int
    passed: bool = False


@dataclass(slots=True)
class Past:
    """`resting` and `arming` hold the places in the log of readings at rest, and of boards that
    came back in a way that holds what could hurt someone."""

    show: Show
    now: int = 0
    offset: int = 0
    log: list[tuple[Event, Show]] = field(default_factory=list)
    resting: list[int] = field(default_factory=list)
    arming: list[int] = field(default_factory=list)
    seen: list[Seen] = field(default_factory=list)
    plays: list[Play] = field(default_factory=list)
    claims: list[tuple[str, int]] = field(default_factory=list)
    said: list[Effect] = field(default_factory=list)

    def every(self, kind: type[E]) -> list[E]:
        return [event for event, _ in self.log if isinstance(event, kind)]

    def prop(self, name: str, show: Show | None = None) -> PropSpec | None:
        return next((each for each in (show or self.show).props if each.id == name), None)

    def sensor(self, name: str | None) -> SensorSpec | None:
        return next((each for each in self.show.sensors if each.id == name), None)

    def tale(self, name: str) -> Iterator[tuple[int, Event, PropSpec | None]]:
        """Yield what happened since the beginning, with the prop as it was then."""
        for place, (event, show) in enumerate(self.log):
            yield place, event, self.prop(name, show)

    def stopped_until(self) -> int:
        until = 0
        for event, _ in self.log:
            match event:
                case events.Stopped():
                    until = FOREVER
                case events.StopReleased() if until == FOREVER:
                    until = event.mono_ms + 5000
                case Released():
                    until = 0
                case events.Started() | events.Woke():  # a count that nobody watched is no count
                    latched = until > 0 or (isinstance(event, events.Started) and event.stopped)
                    until = FOREVER if latched else 0
                case _:
                    pass
        return until

    def released_at(self) -> int:
        return ([event.mono_ms for event in self.every(Released)] or [0])[-1]

    def held_until(self, prop: str) -> int:
        until = 0
        for place, event, spec in self.tale(prop):
            if spec is None:
                until = 0
                continue
            arm = spec.arm_by_hand
            match event:
                case events.Held(prop=name) if name in (None, prop):
                    timed = event.for_ms is not None and not arm
                    if not (timed and until == FOREVER):
                        until = event.mono_ms + (event.for_ms or 0) if timed else FOREVER
                case events.HoldReleased(prop=name) if name == prop or (name is None and not arm):
                    until = 0
                case events.Started() | events.Stopped() if arm:
                    until = FOREVER
                case events.BoardHere() | events.BoardHealth() if arm and place in self.arming:
                    until = FOREVER if event.board == spec.board else until
                case _:
                    pass
        return until

    def gone_since(self, board: str) -> int | None:
        """Return when the board was lost, 0 if it never was here, None while it is here."""
        gone: int | None = 0
        for event, _ in self.log:
            if isinstance(event, events.BoardHere) and event.board == board:
                gone = None
            elif isinstance(event, events.BoardGone) and event.board == board and gone is None:
                gone = event.mono_ms
        return gone

    def boot(self, board: str) -> tuple[str, int, str]:
        """Return the boot last heard of, when it was, and what its reset was."""
        boot, at, reset = "", 0, "unknown"
        for event, _ in self.log:
            if not isinstance(event, events.BoardHere | events.BoardHealth):
                continue
            if event.board == board and event.boot != boot:
                boot, at, reset = event.boot, event.mono_ms - event.up_ms, event.reset
            elif event.board == board:
                at = min(at, event.mono_ms - event.up_ms) if event.up_ms else at
                reset = event.reset if reset == "unknown" else reset
        return boot, at, reset

    def link_is_up(self) -> bool:
        up = False
        for event, _ in self.log:
            match event:
                case events.LinkChanged():
                    up = event.up
                case events.Started():
                    up = event.link_up
                case _:
                    pass
        return up

    def is_marked(self, prop: str, kind: type[events.LockedOut | events.ServiceChanged]) -> bool:
        """Say whether the prop is locked out, or out of service."""
        marked = False
        for _, event, spec in self.tale(prop):
            if spec is None:
                marked = False
            elif isinstance(event, kind) and event.prop == prop:
                marked = event.on if isinstance(event, events.LockedOut) else event.out
        return marked

    def is_walk_test(self) -> bool:
        return ([event.on for event in self.every(events.WalkTest)] or [False])[-1]

    def muted_until(self, sensor: str) -> int:
        until = 0
        for event in self.every(events.Muted):
            if event.sensor == sensor:
                end = FOREVER if event.for_ms is None else event.mono_ms + event.for_ms
                until = end if event.on else 0
        return until

    def last_seen(self, sensor: SensorSpec) -> int:
        """Return when somebody was there: a motion happened, or was high for longer than before."""
        high, before, boot = -FOREVER, 0, ""
        for event, _ in self.log:
            if not isinstance(event, events.BoardHere | events.BoardHealth):
                continue
            if event.board != sensor.board:
                continue
            before, boot = (0 if event.boot != boot else before), event.boot
            for name, active in event.active if isinstance(event, events.BoardHealth) else ():
                if name == sensor.id:
                    high = event.mono_ms if active > before else high
                    before = active
        return max([high] + [each.happened for each in self.seen if each.sensor == sensor.id])

    def readings(self, board: str, until: int) -> list[int]:
        """Return the charges told at rest, up to a place in the log."""
        told = [self.log[place][0] for place in self.resting if place <= until]
        health = [each for each in told if isinstance(each, events.BoardHealth)]
        return [each.charge_percent or 0 for each in health if each.board == board]

    def charge(self, board: str) -> int | None:
        told = self.readings(board, len(self.log))[-5:]
        return median_low(told) if told else None

    def is_retired(self, prop: str) -> bool:
        low, flat = 0, False
        for place, event, spec in self.tale(prop):
            if spec is None or (
                isinstance(event, events.ServiceChanged) and event.prop == prop and not event.out
            ):
                low, flat = 0, False
            elif place in self.resting and isinstance(event, events.BoardHealth):
                if event.board != spec.board or spec.retire_percent is None:
                    continue
                told = self.readings(event.board, place)[-5:]
                charge = median_low(told)
                low = low + 1 if len(told) == 5 and charge < spec.retire_percent else 0
                flat = charge < spec.retire_percent + 10 if flat else low >= 3
        return flat

    def is_open(self, at: int) -> bool:
        doors, extra, since = "timetable", 0, 0
        for event in self.every(events.DoorsSet):
            if event.state == "extended":
                extra = extra if event.wall_ms - since <= EXTENSION_LASTS_MS else 0
                extra, since, doors = extra + event.extend_ms, event.wall_ms, "timetable"
            else:
                doors = event.state
                extra = 0 if doors == "timetable" else extra
        if doors != "timetable":
            return doors == "open"
        extra = extra if self.now + self.offset - since <= EXTENSION_LASTS_MS else 0
        for night in self.show.calendar.nights:
            opens, closes = hours.opening(self.show.time_zone, night)
            if opens <= at + self.offset < closes + night.last_group_min * 60_000 + extra:
                return True
        return not self.show.calendar.nights

    def phases(self, at: int) -> list[PhaseSpec]:
        """Return the phases of an instant, by the clock and by hand."""
        calendar = self.show.calendar
        found = hours.phases(self.show.time_zone, calendar, at + self.offset)
        for event in self.every(events.PhaseByHand)[-1:]:
            if event.phase is not None and at < event.mono_ms + event.for_ms:
                named = [each for each in calendar.phases if each.name == event.phase]
                found += named[:1] or [GENTLE]
        return found

    def is_hushed(self, behaviour: Behaviour, at: int) -> bool:
        """Say whether quiet hours bar it; an unknown level counts as loud."""
        for quiet in hours.hushes(self.show.time_zone, self.show.calendar, at + self.offset):
            most, level = quiet.max_level_dba, behaviour.level_dba
            if most is None or level is None or level > most:
                return True
        return False

    def playing(self, at: int) -> list[Play]:
        return [each for each in self.plays if each.start <= at < each.until]

    def of(self, prop: str) -> list[Play]:
        return [each for each in self.plays if each.spec.id == prop]

    def started(self, prop: str) -> int:
        return max([-FOREVER] + [each.start for each in self.of(prop)])

    def told_stopped(self) -> bool:
        return ([each.stopped for each in self.said if isinstance(each, TellStop)] or [False])[-1]
