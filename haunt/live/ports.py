"""What the running night needs from the outside, as Protocols; adapters and fakes satisfy them.

Every method here is called from the owner's thread unless it says otherwise, and none may block.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple, Protocol

from haunt.core.decisions import Decision, SendCue
from haunt.core.events import Event, Motion
from haunt.live.why.facts import Because


class Receipt(NamedTuple):
    """Names a message that the broker wants acknowledged; good on one connection only."""

    connection: int
    mid: int


class Arrival(NamedTuple):
    """A message from the broker, stamped when the client read it."""

    topic: str
    payload: bytes
    retain: bool
    mono_ms: int
    wall_ms: int
    receipt: Receipt | None = None


class LinkState(NamedTuple):
    """The client's word that it gained (subscriptions confirmed) or lost its broker."""

    up: bool
    mono_ms: int
    wall_ms: int


ChargeOf = Callable[[str, int], int | None]
"""Percent from a board's id and its pack's rest voltage in mV; None where it cannot be told."""


class Clock(Protocol):
    """`mono_ms` never goes back and goes on over restarts; `wall_ms` is UTC and may jump."""

    def mono_ms(self) -> int: ...
    def wall_ms(self) -> int: ...


class Outbox(Protocol):
    """The way out to the boards."""

    def publish(self, topic: str, payload: bytes, *, qos: int, retain: bool) -> bool:
        """Send now or not at all: False without a link or with a full queue (counted there)."""
        ...

    def acknowledge(self, receipt: Receipt) -> None:
        """Thread-safe. A receipt of an earlier connection is dropped."""
        ...


@dataclass(slots=True)
class HealthRow:
    """A board's health as it came, for the journal."""

    board: str
    boot: str
    up_ms: int
    battery_mv: int | None
    charge_percent: int | None
    rssi: int | None
    reset: str
    starts: dict[str, int]
    motions: dict[str, int]


@dataclass(slots=True)
class ReportRow:
    board: str
    cue: str
    boot: str
    state: str
    why: str


@dataclass(slots=True)
class ActionRow:
    """What a person did, for the log of actions."""

    by: str
    what: str
    about: str


@dataclass(slots=True)
class AlertRow:
    """One fault as it stands from now on; `state` is raised, seen or cleared.

    `key` is its kind and subject, `alert` its number: that of the record that opened it.
    """

    key: str
    state: str
    text: str
    alert: int = 0
    todo: str = ""
    severity: str = "soon"
    since_ms: int = 0
    last_ms: int = 0
    count: int = 1
    seen_by: str = ""
    seen_ms: int | None = None


class OutCounts(NamedTuple):
    """Alerts that were taken outside, dropped, and waiting; `fault` is of the last try."""

    sent: int = 0
    dropped: int = 0
    waiting: int = 0
    fault: str = ""


class AlertsOut(Protocol):
    """Where alerts go beside the pages. Called from the owner's thread; must not wait."""

    def told(self, row: AlertRow, wall_ms: int) -> None: ...
    def counts(self) -> OutCounts: ...


class AlertShelf(Protocol):
    """What the store knows of alerts, and of the room that it has left."""

    def open_alerts(self) -> list[AlertRow]:
        """Return those that were not cleared when the last run ended. May wait: at start only."""
        ...

    def free_mb(self) -> int | None:
        """Thread-safe; None where it cannot be told."""
        ...


@dataclass(slots=True)
class Record:
    """One thing that happened with all that followed from it: one transaction, or nothing.

    `number` counts up without gaps while the journal keeps pace. `event` is None for rows that
    the arbiter has no part in (health without news, alerts). `because` has a place for each
    decision, or is empty where nothing is known beyond them.
    """

    number: int
    mono_ms: int
    wall_ms: int
    event: Event | None = None
    decisions: tuple[Decision, ...] = ()
    because: tuple[Because | None, ...] = ()
    cues: tuple[SendCue, ...] = ()
    health: HealthRow | None = None
    report: ReportRow | None = None
    action: ActionRow | None = None
    alert: AlertRow | None = None
    snapshot: dict[str, object] | None = None
    show_version: int = 0

    @property
    def has_motion(self) -> bool:
        return type(self.event) is Motion


class JournalCounts(NamedTuple):
    """Since start. `lost` records were refused by a full queue or a failing disk."""

    committed: int
    lost: int
    backlog: int
    failing: str


class Journal(Protocol):
    def put(self, record: Record) -> bool:
        """Queue a record. False, counted as lost, when the bound is reached."""
        ...

    def counts(self) -> JournalCounts:
        """Thread-safe."""
        ...


class JournalListener(Protocol):
    """Told from the journal's own thread, after a commit or for good after giving up."""

    def committed(self, records: list[Record]) -> None: ...
    def lost(self, records: list[Record]) -> None: ...


ViewsChanged = Callable[[frozenset[str]], None]
"""Called from the owner's thread at most four times a second with the ids of changed props."""
