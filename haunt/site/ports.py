"""What the pages need from the rest of the program."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol, TypedDict, Unpack

from haunt.core.calendar import Sunset, no_sunset
from haunt.live.crew import Crew
from haunt.site.entrance import Entrance
from haunt.site.hub import Hub
from haunt.study.advice import Advice
from haunt.study.report import NightReport
from haunt.wire.showerrors import Fault
from haunt.wire.showmodels import ShowFile

Item = dict[str, object]


class ShowRefused(Exception):  # noqa: N818 - the word says what happened
    """A show file with faults; nothing of it was taken."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__(f"{len(faults)} faults")
        self.faults = faults


class Asked(TypedDict, total=False):
    """Filters of a list. One that a list does not know is ignored.

    `after` and `before` are ids; with `before` or `newest` the page is the newest that match.
    """

    prop: str | None
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


class NightReader(Protocol):
    """Short reads of the journal."""

    def decisions(self, **asked: Unpack[Asked]) -> Page: ...
    def motions(self, **asked: Unpack[Asked]) -> Page: ...
    def reports(self, **asked: Unpack[Asked]) -> Page: ...
    def health(self, **asked: Unpack[Asked]) -> Page: ...
    def alerts(self, **asked: Unpack[Asked]) -> Page: ...


class ShowKeeper(Protocol):
    """The show file as it is kept. Both writers are all or nothing and raise ShowRefused."""

    def toml(self) -> str: ...
    def as_json(self) -> dict[str, object]: ...
    def put(self, text: str, by: str) -> int: ...
    def patch_prop(self, prop: str, values: dict[str, object], by: str) -> int: ...


class NightBook(Protocol):
    """What the journal can say of whole nights."""

    def dates(self) -> list[str]:
        """Local dates that have motions, newest first."""
        ...

    def report(self, day: str) -> NightReport | str:
        """Return the report of a date, or in words what is missing."""
        ...


class NoNights:
    """A site without a journal."""

    def dates(self) -> list[str]:
        return []

    def report(self, day: str) -> NightReport | str:
        return f"there is no journal to tell of {day}"


class Was(NamedTuple):
    """A cooldown that was set: when (UTC ms), by whom, and how long (ms)."""

    at_ms: int
    by: str
    cooldown_ms: int


class TuneBook(Protocol):
    """Runs recorded nights again; slow (seconds), and never in the owner's process."""

    def weigh(self, prop: str) -> Advice | str:
        """Return the advice on a prop, or in words what is missing."""
        ...

    def history(self, prop: str) -> list[Was]:
        """Every value the cooldown had, newest first."""
        ...


class NoTunes:
    """A site without a journal."""

    def weigh(self, prop: str) -> Advice | str:
        return f"no night has been recorded yet: nothing to weigh {prop} by"

    def history(self, prop: str) -> list[Was]:  # noqa: ARG002 - the port's word
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
    sunset_of: Callable[[ShowFile], Sunset] = lambda _file: no_sunset
    hosts: frozenset[str] = frozenset()
    version: str = "0"
