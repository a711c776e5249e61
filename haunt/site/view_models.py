"""What each part of a page is given: words and digits ready to print, one frozen class a part."""

from dataclasses import dataclass
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Badge:
    """A small addition to a prop's word, in the colour of what it asks."""

    shape: str
    word: str
    level: str


@dataclass(frozen=True, slots=True)
class Card:
    """One prop. `left` is what the page says without scripts; with them it counts to `until_ms`."""

    id: str
    name: str
    place: str
    kind: str
    shape: str
    word: str
    detail: str
    left: str
    until_ms: int | None
    badges: tuple[Badge, ...]
    seen: str
    sentence: str
    board: str
    is_held: bool
    is_armed: bool
    waits_for_arm: bool = False
    receipt: str = ""


@dataclass(frozen=True, slots=True)
class Tune:
    """The settings of one prop that a thumb may change."""

    id: str
    cooldown_s: str
    less_s: str
    more_s: str


@dataclass(frozen=True, slots=True)
class Act:
    """A button: where it posts, for how many seconds if it is for a time, and what it says."""

    path: str
    word: str
    for_s: int | None = None


@dataclass(frozen=True, slots=True)
class Need:
    """Something that waits for a person: what, and what to do. `level`: now, soon or person.

    `first` is what nobody may overlook, though nothing is broken.
    """

    level: str
    shape: str
    what: str
    todo: str
    href: str = ""
    act: Act | None = None
    first: bool = False


@dataclass(frozen=True, slots=True)
class AlertLine:
    """One alert: word and shape by `level` (now, soon, over), digits, what to do."""

    id: int
    level: str
    shape: str
    word: str
    what: str
    todo: str
    since: str
    facts: str
    seen: bool
    href: str
    act: Act | None = None


@dataclass(frozen=True, slots=True)
class Alerts:
    """`first` and `more` nobody has seen yet; `left_out` found no room."""

    first: tuple[AlertLine, ...] = ()
    more: tuple[AlertLine, ...] = ()
    seen: tuple[AlertLine, ...] = ()
    left_out: int = 0

    @property
    def count(self) -> int:
        return len(self.first) + len(self.more) + len(self.seen) + self.left_out


ROWS_MAX = 3
"""What Tonight shows in full; all of it is one tap away."""


@dataclass(frozen=True, slots=True)
class Needs:
    """What waits for a person: alerts, then what stands so because somebody wants it."""

    needs: tuple[Need, ...]
    held: int
    alerts: Alerts = Alerts()

    @property
    def count(self) -> int:
        """Those that nobody has seen yet."""
        return len(self.needs) + self.alerts.count - len(self.alerts.seen)

    @property
    def rows(self) -> tuple[Need | AlertLine, ...]:
        """The most pressing of all, as many as Tonight has places for."""

        def pressing(each: Need | AlertLine) -> int:
            is_first = isinstance(each, Need) and each.first
            return -1 if is_first else ("now", "soon", "person", "over").index(each.level)

        unseen: list[Need | AlertLine] = [*self.alerts.first, *self.alerts.more, *self.needs]
        return tuple(sorted(unseen, key=pressing)[:ROWS_MAX])


@dataclass(frozen=True, slots=True)
class Bar:
    """The stop bar; `deaf` are the places of boards that did not say they are still."""

    stopped: bool
    by: str
    since: str
    release_at_ms: int | None
    release_left: str
    deaf: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """How the night stands and what comes next."""

    clock: str
    state: str
    phase: str
    next: str
    next_ms: int | None
    next_left: str = ""
    closes: str = ""
    closes_ms: int | None = None
    closes_left: str = ""
    mild_ms: int | None = None  # until when a phase by hand holds
    mild_left: str = ""


@dataclass(frozen=True, slots=True)
class Count:
    shape: str
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class Fold:
    """The one line that stands for all props: "8 ready", "1 playing"."""

    counts: tuple[Count, ...]


@dataclass(frozen=True, slots=True)
class Tallies:
    text: str


@dataclass(frozen=True, slots=True)
class BoardCard:
    """One board; `is_short` when it counted more motions than the journal has."""

    id: str
    kind: str
    shape: str
    word: str
    props: str
    heard: str
    stop: str
    facts: tuple[str, ...]
    motions: str
    is_short: bool


@dataclass(frozen=True, slots=True)
class Entry:
    """One decision of the log in words."""

    at: str
    clock: str
    kind: str
    prop: str
    name: str
    sentence: str
    reason: str = ""


class Place(NamedTuple):
    """Where a prop is drawn: units of the map; its name's are from its symbol.

    No name where there was no room.
    """

    x: str
    y: str
    name_x: str
    name_y: str
    anchor: str
    leader: tuple[str, str] | None
    has_name: bool


@dataclass(frozen=True, slots=True)
class Spot:
    """A prop on the map, which is 600 wide and 110 high."""

    id: str
    name: str
    kind: str
    shape: str
    at: Place


@dataclass(frozen=True, slots=True)
class Notice:
    """An answer to what a person did; `undo` takes it back. `level`: good, soon, now or quiet."""

    text: str
    level: str = "good"
    undo: Act | None = None
    undo_name: str = ""
    undo_value: str = ""


@dataclass(frozen=True, slots=True)
class Eye:
    """One sensor: how it stands in a word and a shape, and its counts."""

    id: str
    name: str
    kind: str
    shape: str
    word: str
    detail: str
    hits: int
    seen: str
    is_muted: bool
    until_ms: int | None
    left: str


@dataclass(frozen=True, slots=True)
class Walk:
    """The walk test: `hit` is the newest sensor that saw somebody, `number` counts those."""

    is_on: bool
    since: str
    by: str
    hit: Eye | None
    number: int
    unseen: tuple[Eye, ...]
    chatters: tuple[Eye, ...]
    muted: tuple[Eye, ...]
    eyes: tuple[Eye, ...]


@dataclass(frozen=True, slots=True)
class Sensors:
    """The sensors that set one prop off."""

    prop: str
    eyes: tuple[Eye, ...]


@dataclass(frozen=True, slots=True)
class Hands:
    """What people may do to one prop beyond hold and fire. `locked_by` is empty or a name."""

    id: str
    name: str
    locked_by: str
    is_out: bool
