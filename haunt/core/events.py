"""Everything that can happen to a running night, as values.

Each event carries two whole numbers: `mono_ms`, the controller's steady clock, by which every
duration is measured, and `wall_ms`, UTC, by which the calendar goes. The state of a night is what
its events have made of it: a replay of them repeats every decision.
"""

from dataclasses import dataclass

from haunt.core.decisions import MotionKey
from haunt.core.show import Show


@dataclass(frozen=True, slots=True)
class Event:
    mono_ms: int
    wall_ms: int


@dataclass(frozen=True, slots=True)
class Started(Event):
    """The controller has started and has read the retained stop, if there is one."""

    epoch: int = 0
    stopped: bool = False
    link_up: bool = False


@dataclass(frozen=True, slots=True)
class Ticked(Event):
    """Timers were due. It changes nothing by itself; journalled, it fixes what was judged when."""


@dataclass(frozen=True, slots=True)
class Woke(Event):
    """The controller was suspended and missed its own timers; what is too late now lapses."""


@dataclass(frozen=True, slots=True)
class ClockStepped(Event):
    """The wall clock was set. Only `wall_ms` matters; it keeps ticks out of the journal."""


@dataclass(frozen=True, slots=True)
class ShowChanged(Event):
    """Settings or inventory changed. Props, sensors and boards keep their state by id."""

    show: Show
    version: int = 0
    by: str = ""


@dataclass(frozen=True, slots=True)
class LinkChanged(Event):
    """The controller gained or lost its broker."""

    up: bool


@dataclass(frozen=True, slots=True)
class Motion(Event):
    """One report by a sensor; it happened `age_ms` before it arrived."""

    board: str
    sensor: str
    boot: str
    seq: int
    age_ms: int = 0


@dataclass(frozen=True, slots=True)
class BoardHere(Event):
    board: str
    boot: str
    up_ms: int = 0
    reset: str = "unknown"


@dataclass(frozen=True, slots=True)
class BoardGone(Event):
    board: str


@dataclass(frozen=True, slots=True)
class BoardHealth(Event):
    """`active` is the ms each sensor has been high since boot; charge None is not known."""

    board: str
    boot: str
    up_ms: int = 0
    charge_percent: int | None = None
    active: tuple[tuple[str, int], ...] = ()
    reset: str = "unknown"


@dataclass(frozen=True, slots=True)
class Reported(Event):
    """What a board says became of a cue: started, finished, aborted or refused (and why)."""

    board: str
    cue: str
    state: str
    why: str = ""
    epoch: int = 0


@dataclass(frozen=True, slots=True)
class Stopped(Event):
    by: str = ""


@dataclass(frozen=True, slots=True)
class StopReleased(Event):
    """Somebody saw a clear path; the show goes on five seconds later."""

    by: str = ""


@dataclass(frozen=True, slots=True)
class Held(Event):
    """One prop, or all (`prop` None); until released, or for a time."""

    prop: str | None = None
    for_ms: int | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class HoldReleased(Event):
    prop: str | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class LockedOut(Event):
    """Somebody works on the prop; only they or an owner end it (checked by the caller)."""

    prop: str
    on: bool
    by: str


@dataclass(frozen=True, slots=True)
class ServiceChanged(Event):
    """A prop taken out of service for a fault, or brought back (which forgives a flat pack)."""

    prop: str
    out: bool
    by: str = ""


@dataclass(frozen=True, slots=True)
class Muted(Event):
    """A sensor silenced (`on`), until unmuted or for a time."""

    sensor: str
    on: bool
    for_ms: int | None = None
    by: str = ""


@dataclass(frozen=True, slots=True)
class PhaseByHand(Event):
    """A phase switched on for a time; no name ends it early."""

    phase: str | None
    for_ms: int = 180_000
    by: str = ""


@dataclass(frozen=True, slots=True)
class DoorsSet(Event):
    """Doors by hand: `open`, `closed`, `paused`, or `timetable` again; `extended` by some ms."""

    state: str
    extend_ms: int = 0
    by: str = ""


@dataclass(frozen=True, slots=True)
class WalkTest(Event):
    on: bool
    by: str = ""


@dataclass(frozen=True, slots=True)
class FiredByHand(Event):
    """Fire now. `key` is the request's own and becomes the cue id, so a repeat changes nothing."""

    prop: str
    key: str
    behaviour: str | None = None
    hands_clear: bool = False
    by: str = ""


def key_of(motion: Motion) -> MotionKey:
    return MotionKey(motion.board, motion.boot, motion.seq)
