"""What the pages need from the rest of the program."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol, TypedDict, Unpack

from haunt.core.calendar import Sunset, no_sunset
from haunt.live.crew import Crew
from haunt.live.errors import CrewMistake
from haunt.site.boardports import BoardBook, NoHistory
from haunt.site.checkports import CheckBook, NoChecks
from haunt.site.countports import CountBook, NoCounts, NoPacks, PackBook
from haunt.site.entrance import Entrance
from haunt.site.houseports import BackupBook, Keyring, NoBackups, NoKeyring, Trust
from haunt.site.hub import Hub
from haunt.site.lineports import LineBook, NoLines
from haunt.site.paper.ports import NoPress, Press
from haunt.site.planports import NoNotes, NoShelf, Notes, Shelf
from haunt.site.workports import LaterBook, NoLater, NoRehearsals, NoTunes, Rehearsals, TuneBook
from haunt.store.checks import Check
from haunt.study.nightline import NightLine
from haunt.study.report import NightReport
from haunt.wire.showmodels import ShowFile

Item = dict[str, object]
SunsetOf = Callable[[ShowFile], Sunset]
"""Sunset as a function of the date, where a show stands."""


class ShowMovedOn(CrewMistake):
    """Somebody else changed the show file in the meantime; `version` is the newest."""

    def __init__(self, version: int) -> None:
        super().__init__(
            f"the show has changed meanwhile (it is version {version} now): look at it again",
            about="show",
        )
        self.version = version


class KeptShow(NamedTuple):
    """The text as it is kept, and the number of its version; both of one moment."""

    version: int
    text: str


class Asked(TypedDict, total=False):
    """Filters of a list. One that a list does not know is ignored.

    `after` and `before` are ids; with `before` or `newest` the page is the newest that match.
    """

    prop: str | None
    sensor: str | None
    outcome: str | None
    reason: str | None
    since_ms: int | None
    until_ms: int | None
    after: int | None
    before: int | None
    newest: bool
    limit: int


class Page(Protocol):
    """Items with ids counting up; `next` is the cursor that goes on, None at the end."""

    @property
    def items(self) -> list[Item]: ...
    @property
    def next(self) -> int | None: ...


class Break(Protocol):
    """Where the log is broken: the server was off, or its broker lost or back."""

    @property
    def at_ms(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def heard_ms(self) -> int | None: ...


class NightReader(Protocol):
    """Short reads of the journal."""

    def decisions(self, **asked: Unpack[Asked]) -> Page: ...
    def decision_lines(self, **asked: Unpack[Asked]) -> Iterator[str]:
        """Yield all that match as lines of CSV without the head, oldest first."""
        ...

    def breaks(
        self,
        first: int | None,
        before: int | None,
        since_ms: int | None = None,
        until_ms: int | None = None,
    ) -> Sequence[Break]:
        """Return what lies between two decisions, newest first; None is no bound."""
        ...

    def motions(self, **asked: Unpack[Asked]) -> Page: ...
    def reports(self, **asked: Unpack[Asked]) -> Page: ...
    def health(self, **asked: Unpack[Asked]) -> Page: ...
    def alerts(self, **asked: Unpack[Asked]) -> Page: ...


class ShowKeeper(Protocol):
    """The show file as it is kept. Both writers are all or nothing and raise ShowFileRefused.

    `put` with `on` raises ShowMovedOn unless that version is the newest.
    """

    def toml(self) -> str: ...
    def kept(self) -> KeptShow: ...
    def as_json(self) -> dict[str, object]: ...
    def put(self, text: str, by: str, on: int | None = None) -> int: ...
    def patch_prop(self, prop: str, values: dict[str, object], by: str) -> int: ...


class Sheet(NamedTuple):
    """A night with what stands around it: lines of the nights before, and what was checked."""

    report: NightReport
    earlier: list[NightLine]
    checks: dict[str, Check]


class NightBook(Protocol):
    """What the journal can say of whole nights; three statements at most for any of it."""

    def dates(self) -> list[str]:
        """Local dates that have motions, newest first."""
        ...

    def report(self, day: str) -> NightReport | str:
        """Return the report of a date, or in words what is missing."""
        ...

    def sheet(self, day: str, earlier: int) -> Sheet | str:
        """Return a date's report with so many nights before it, or in words what is missing."""
        ...

    def lines(self) -> list[NightLine]:
        """Return a line of each of the newest dates, to compare them; at most twelve."""
        ...


class NoNights:
    """A site without a journal."""

    def dates(self) -> list[str]:
        return []

    def report(self, day: str) -> NightReport | str:
        return f"there is no journal to tell of {day}"

    def sheet(self, day: str, earlier: int) -> Sheet | str:  # noqa: ARG002 - the port's word
        return f"there is no journal to tell of {day}"

    def lines(self) -> list[NightLine]:
        return []


@dataclass(frozen=True, slots=True)
class Services:
    """`wall_ms` is UTC now; `hosts` are names that a browser may have used to get here."""

    crew: Crew
    reader: NightReader
    keeper: ShowKeeper
    hub: Hub
    wall_ms: Callable[[], int]
    entrance: Entrance
    nights: NightBook = field(default_factory=NoNights)
    tunes: TuneBook = field(default_factory=NoTunes)
    counts: CountBook = field(default_factory=NoCounts)
    packs: PackBook = field(default_factory=NoPacks)
    later: LaterBook = field(default_factory=NoLater)
    rehearsals: Rehearsals = field(default_factory=NoRehearsals)
    checks: CheckBook = field(default_factory=NoChecks)
    sunset_of: SunsetOf = lambda _file: no_sunset
    shelf: Shelf = field(default_factory=NoShelf)
    notes: Notes = field(default_factory=NoNotes)
    hosts: frozenset[str] = frozenset()
    trust: Trust | None = None
    backups: BackupBook = field(default_factory=NoBackups)
    keyring: Keyring = field(default_factory=NoKeyring)
    press: Press = field(default_factory=NoPress)
    lines: LineBook = field(default_factory=NoLines)
    boards: BoardBook = field(default_factory=NoHistory)
    other: Callable[[], str] = lambda: ""
    """Where the server is that would take over; empty where none stands by."""
    version: str = "0"
