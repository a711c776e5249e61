"""What the arbiter gives back: decisions, each with its reason, and orders to the outside."""

from enum import StrEnum
from typing import NamedTuple


class Outcome(StrEnum):
    FIRED = "fired"
    REFUSED = "refused"
    LAPSED = "lapsed"


class Source(StrEnum):
    MOTION = "motion"
    HAND = "hand"
    TIMETABLE = "timetable"


class MotionKey(NamedTuple):
    """Names one motion for ever."""

    board: str
    boot: str
    seq: int


class Decision(NamedTuple):
    """The verdict on one motion (or order) for one prop.

    `margin` says by how much the rule decided, in the unit that `core.rules` gives beside the
    reason: mostly ms left, else percent points or a count. None where no number applies.
    `at_ms` and `wall_ms` are the instant judged; `waited_ms` is from due to then.
    """

    at_ms: int
    wall_ms: int
    source: Source
    motion: MotionKey | None
    sensor: str | None
    prop: str | None
    outcome: Outcome
    reason: str | None
    behaviour: str | None
    cue: str | None
    waited_ms: int
    margin: int | None


class SendCue(NamedTuple):
    """Order a board to run a behaviour; `sent_ms` is the instant of the decision."""

    board: str
    cue: str
    epoch: int
    prop: str
    behaviour: str
    max_ms: int
    sent_ms: int
    line: str | None


class TellStop(NamedTuple):
    """Publish the stop state, retained, under this epoch."""

    stopped: bool
    epoch: int
    at_ms: int


Effect = Decision | SendCue | TellStop
