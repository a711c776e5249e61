"""What a page may know of the night: immutable values made by the owner, read by any thread."""

from dataclasses import dataclass, field
from enum import StrEnum

from haunt.core.decisions import Decision
from haunt.live.cues import Trip
from haunt.live.eyes import Hit
from haunt.live.why.facts import Because
from haunt.workshop.band import Band


class PropWord(StrEnum):
    """The one word for what a prop is doing, most pressing first where several hold."""

    LOST = "lost"  # its board is not present
    LOCKED_OUT = "locked out"
    OUT_OF_SERVICE = "out of service"
    STOPPED = "stopped"
    HELD = "held"
    PLAYING = "playing"
    WAITING = "waiting"
    REST = "rest"
    CLOSED = "closed"
    READY = "ready"


@dataclass(frozen=True, slots=True)
class PropView:
    """`until_ms` (wall) is when the present word is expected to end, None where a person ends it.

    `sentence` says the last decision in words: what, why, by how much. `barred` is the reason for
    which it is closed within opening hours: nothing that it does is allowed now.
    """

    id: str
    name: str
    board: str
    word: PropWord
    until_ms: int | None
    behaviour: str | None
    behaviours: tuple[str, ...]
    charge_percent: int | None
    battery_mv: int | None
    rssi: int | None
    here: bool
    last_heard_ms: int | None
    last_motion_ms: int | None
    last_decision: Decision | None
    sentence: str
    fired: int
    refused: int
    lapsed: int
    cooldown_ms: int
    arm_by_hand: bool
    held_by: str | None
    unconfirmed: bool
    x_m: float | None
    y_m: float | None
    place: str = ""
    because: Because | None = None
    locked_by: str = ""
    out_of_service: bool = False
    trip: Trip | None = None
    barred: str = ""


@dataclass(frozen=True, slots=True)
class PackView:
    """Charges in percent and instants in UTC ms, each with what holds nineteen of twenty.

    `until_ms` is close, or None where there is none; `sure` then says nothing. An end that lies two
    days off or more is not named.
    """

    charge: Band
    floor_percent: int
    ends_ms: int | None
    ends_low_ms: int | None
    ends_high_ms: int | None
    until_ms: int | None
    sure: float
    measured: float


@dataclass(frozen=True, slots=True)
class SensorView:
    """`hits` since the walk test began, else since the start; `a_minute` those of the last one.

    `props` are those it is linked to; `muted_until_ms` is None where a person unmutes it.
    """

    id: str
    name: str
    board: str
    kind: str
    here: bool
    props: tuple[str, ...] = ()
    muted: bool = False
    muted_until_ms: int | None = None
    muted_by: str = ""
    hits: int = 0
    a_minute: int = 0
    last_ms: int | None = None
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BoardView:
    """`counted` and `journalled` are motions since the board's boot: hers and ours.

    `motions` by sensor and `starts` by prop are hers too; `boots` are starts anew that this run
    saw, `connections` those since the last. `bad` payloads it refused, `dropped` fell out of its
    full ring of what waits to be sent; `settings` is the version of the show that it was told.
    """

    id: str
    here: bool
    stopped: bool | None
    epoch: int | None
    last_heard_ms: int | None
    fw: str
    reset: str
    up_ms: int | None
    battery_mv: int | None
    charge_percent: int | None
    rssi: int | None
    counted: int | None
    journalled: int | None
    props: tuple[str, ...]
    pack: PackView | None = None
    boot: str = ""
    boots: int = 0
    connections: int | None = None
    motions: tuple[tuple[str, int], ...] = ()
    starts: tuple[tuple[str, int], ...] = ()
    faults: tuple[str, ...] = ()
    bad: int | None = None
    dropped: int | None = None
    settings: int | None = None


@dataclass(frozen=True, slots=True)
class AlertView:
    """One open alert. `over_ms` is since when its fault is away; it closes if that stays so.

    `subject` is the id of a board, sensor or prop, or empty; `count` is how often it came.
    """

    key: str
    since_ms: int
    text: str
    id: int = 0
    kind: str = ""
    subject: str = ""
    severity: str = "soon"
    todo: str = ""
    last_ms: int = 0
    count: int = 1
    seen_by: str = ""
    seen_ms: int | None = None
    over_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Counters:
    """All that was dropped or refused at the edge, since start. A page shows what is not zero."""

    motions: int = 0
    duplicates: int = 0
    malformed: int = 0
    malformed_by_kind: tuple[tuple[str, int], ...] = ()
    last_malformed: str = ""
    unknown_ids: int = 0
    queue_dropped: int = 0
    not_journalled: int = 0
    journal_backlog: int = 0
    journal_failing: str = ""
    late_wills: int = 0
    odd_reports: int = 0
    fired: int = 0
    refused: int = 0
    lapsed: int = 0
    alerts_sent: int = 0
    alerts_dropped: int = 0
    alerts_fault: str = ""


@dataclass(frozen=True, slots=True)
class Labels:
    """What only people need of the show file: names, places, and the circuit of each board."""

    show_name: str = ""
    sensors: dict[str, str] = field(default_factory=dict)
    places: dict[str, tuple[float | None, float | None, str]] = field(default_factory=dict)
    circuits: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class NightView:
    """The whole night at one instant (`at_ms` wall). `seq` counts up with every change."""

    seq: int
    at_ms: int
    show_id: str
    show_name: str
    time_zone: str
    show_version: int
    link_up: bool
    stopped: bool
    stopped_by: str
    stopped_since_ms: int | None
    release_at_ms: int | None
    epoch: int
    open: bool
    phases: tuple[str, ...]
    quiet: bool
    walk_test: bool
    next_change_ms: int | None
    next_change: str
    stop_unheard: tuple[str, ...]
    broken: str
    props: dict[str, PropView] = field(default_factory=dict)
    boards: dict[str, BoardView] = field(default_factory=dict)
    alerts: tuple[AlertView, ...] = ()
    alerts_left_out: int = 0
    counters: Counters = field(default_factory=Counters)
    sensors: dict[str, SensorView] = field(default_factory=dict)
    walk_by: str = ""
    walk_since_ms: int | None = None
    last_hit: Hit | None = None
    closes_ms: int | None = None
    opens_ms: int | None = None
    doors: str = "timetable"
    hand_phase_until_ms: int | None = None
