"""What the pages of counts and of packs need from the rest of the program."""

from dataclasses import dataclass
from datetime import date
from typing import Protocol

from haunt.study.drain import Curve
from haunt.study.nightfacts import Span
from haunt.study.tallies import BoardTally, Cell, NightTallies


@dataclass(frozen=True, slots=True)
class Counts:
    """One night counted, and what the nights before came to; the newest first."""

    night: NightTallies
    boards: tuple[BoardTally, ...]
    nights: tuple[tuple[date, Cell], ...]


@dataclass(frozen=True, slots=True)
class Packs:
    """Every pack of one night. `now_ms` is now, or the end of a night that is over."""

    day: str
    span: Span
    now_ms: int
    curves: tuple[Curve, ...]
    earlier: str | None

    @property
    def is_over(self) -> bool:
        return self.now_ms >= self.span.until_ms


class CountBook(Protocol):
    def counts(self, day: str | None) -> Counts | str:
        """Count a night, the newest where none is named; or return in words what is missing."""
        ...


class PackBook(Protocol):
    def packs(self, day: str | None) -> Packs | str:
        """Draw the packs of a night, the newest where none is named; or say what is missing."""
        ...


class NoCounts:
    """A site without a journal."""

    def counts(self, day: str | None) -> Counts | str:
        return f"there is no journal to count {day or 'a night'} from"


class NoPacks:
    """A site without a journal."""

    def packs(self, day: str | None) -> Packs | str:
        return f"there is no journal that would know the packs of {day or 'a night'}"
