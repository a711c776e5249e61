"""The kinds of fault, how pressing each is, and how long it must be away before it is closed."""

from enum import StrEnum
from typing import Final, NamedTuple


class Kind(StrEnum):
    LOST = "lost"
    LOST_TOGETHER = "lost-together"
    BOOT_LOOP = "boot-loop"
    TWO_BOARDS = "two-boards"
    BOARD_CLOCK = "board-clock"
    COUNTERS = "counters"
    NONSENSE = "nonsense"
    STRANGER = "stranger"
    DEAF = "deaf"
    PACK_ODD = "pack-odd"
    PACK_LOW = "pack-low"
    PACK_SHORT = "pack-short"
    STUCK = "stuck"
    CHATTER = "chatter"
    SILENT = "silent"
    UNCONFIRMED = "unconfirmed"
    LINK = "link"
    JOURNAL = "journal"
    DISK = "disk"
    CLOCK = "clock"


class Severity(StrEnum):
    NOW = "now"  # somebody goes there at once
    SOON = "soon"  # between two groups will do


class Terms(NamedTuple):
    """Away for `close_ms` it is closed; back within `again_ms` of that it is the same alert."""

    severity: Severity
    close_ms: int
    again_ms: int = 600_000


# A fault that comes and goes closes later than one that is either there or not. The window of ten
# minutes is a walk to the prop and back: what comes again meanwhile is still the same errand.
TERMS: Final[dict[Kind, Terms]] = {
    Kind.LOST: Terms(Severity.NOW, 10_000),
    Kind.LOST_TOGETHER: Terms(Severity.NOW, 10_000),
    Kind.BOOT_LOOP: Terms(Severity.NOW, 60_000),
    Kind.TWO_BOARDS: Terms(Severity.NOW, 60_000),
    Kind.BOARD_CLOCK: Terms(Severity.SOON, 300_000),
    Kind.COUNTERS: Terms(Severity.SOON, 10_000),
    Kind.NONSENSE: Terms(Severity.SOON, 300_000),
    Kind.STRANGER: Terms(Severity.SOON, 60_000),
    Kind.DEAF: Terms(Severity.NOW, 3_000),
    Kind.PACK_ODD: Terms(Severity.SOON, 60_000),
    Kind.PACK_LOW: Terms(Severity.SOON, 60_000),
    Kind.PACK_SHORT: Terms(Severity.SOON, 60_000),
    Kind.STUCK: Terms(Severity.SOON, 10_000),
    Kind.CHATTER: Terms(Severity.SOON, 60_000),
    Kind.SILENT: Terms(Severity.SOON, 10_000),
    Kind.UNCONFIRMED: Terms(Severity.SOON, 3_000),
    Kind.LINK: Terms(Severity.NOW, 5_000),
    Kind.JOURNAL: Terms(Severity.NOW, 30_000),
    Kind.DISK: Terms(Severity.NOW, 30_000),
    Kind.CLOCK: Terms(Severity.NOW, 10_000),
}


class Finding(NamedTuple):
    """A fault that is there now. `about` is what its words need; `total` how often it came so far.

    A fault that lasts has no total: it counts each time it comes back.
    """

    kind: Kind
    subject: str
    about: tuple[tuple[str, str], ...] = ()
    total: int | None = None

    @property
    def key(self) -> str:
        return key_of(self.kind, self.subject)


def key_of(kind: Kind, subject: str) -> str:
    return f"{kind} {subject}" if subject else str(kind)


_GROUPS: Final[dict[Kind, str]] = {
    Kind.LOST: "lost",
    Kind.LOST_TOGETHER: "lost",
    Kind.DEAF: "deaf",
    Kind.SILENT: "silent",
    Kind.PACK_SHORT: "forecast",
    Kind.STRANGER: "strangers",
    Kind.UNCONFIRMED: "cues",
    Kind.LINK: "house",
    Kind.JOURNAL: "house",
    Kind.DISK: "house",
    Kind.CLOCK: "house",
}
SENSOR_KINDS: Final = frozenset({Kind.STUCK, Kind.CHATTER, Kind.SILENT})


def group_of(kind: Kind, subject: str) -> str:
    """Return with which others a fault is looked after: those of one board, of one sensor."""
    found = _GROUPS.get(kind)
    if found is not None:
        return found
    return f"sensor {subject}" if kind in SENSOR_KINDS else f"board {subject}"
