"""What the pages need from the rest of the program."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Protocol

from haunt.live.crew import Crew
from haunt.site.hub import Hub
from haunt.wire.showerrors import Fault


class ShowRefused(Exception):  # noqa: N818 - the word says what happened
    """A show file with faults; nothing of it was taken."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__(f"{len(faults)} faults")
        self.faults = faults


class Page(Protocol):
    @property
    def items(self) -> list[dict[str, Any]]: ...
    @property
    def next(self) -> int | None: ...


class NightReader(Protocol):
    """Short reads of the journal; filters that a list does not know are ignored."""

    def decisions(self, **asked: Any) -> Page: ...
    def motions(self, **asked: Any) -> Page: ...
    def reports(self, **asked: Any) -> Page: ...
    def health(self, **asked: Any) -> Page: ...
    def alerts(self, **asked: Any) -> Page: ...
    def stream_decisions(self, **asked: Any) -> Iterator[dict[str, Any]]: ...


class ShowKeeper(Protocol):
    """The show file as it is kept. Both writers are all or nothing and raise ShowRefused."""

    def toml(self) -> str: ...
    def as_json(self) -> dict[str, Any]: ...
    def put(self, text: str, by: str) -> int: ...
    def patch_prop(self, prop: str, values: dict[str, Any], by: str) -> int: ...


@dataclass(frozen=True, slots=True)
class Services:
    """`wall_ms` is UTC now; `hosts` are names that a browser may have used to get here."""

    crew: Crew
    reader: NightReader
    keeper: ShowKeeper
    hub: Hub
    wall_ms: Callable[[], int]
    hosts: frozenset[str] = frozenset()
    version: str = ""
