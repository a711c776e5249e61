"""What a check against the outside world is: a row with its source, its tolerance and its proof.

A row either works our figure out itself (`ours`), or is measured by a test that calls `saw`.
"""

import json
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from math import copysign
from typing import NamedTuple

NOTES = "HAUNT_OUTSIDE_NOTES"
"""Names the file to which tests add what they measured, one line of JSON a measurement."""
ROUNDING = 1e-12


class Proof(StrEnum):
    """How well a published value is known; only the first three may be called checked."""

    VERIFIED = "VERIFIED"  # read in the named source
    LIBRARY = "LIBRARY"  # computed by somebody else's program
    OPEN_DATA = "OPEN DATA"  # a published data set
    ARITHMETIC = "ARITHMETIC"  # follows from the formula alone
    MEMORY = "MEMORY"  # nobody opened the source
    PRACTICE = "PRACTICE"  # a fact of the trade that has none


class Side(StrEnum):
    ABOUT = "±"
    LEAST = "at least"
    MOST = "at most"


class Measured(NamedTuple):
    """The case that is furthest off; without values where only agreement was counted."""

    cases: int
    off: float
    published: float | None = None
    ours: float | None = None

    @property
    def badness(self) -> tuple[float, float]:
        """Orders cases by how far they are off; those within a bound by how near they are."""
        if self.published is None or self.ours is None:
            return abs(self.off), 0.0
        return abs(self.off), -abs(self.ours - self.published)


@dataclass(frozen=True, slots=True)
class Row:
    """`table` has a published value a line, behind the arguments that `ours` takes for it.

    `tolerance` is in the value's unit, or a share of the value where `is_share`. Without a table
    what is published is a rule, and a test counts how often ours broke it.
    """

    id: str
    what: str
    source: str
    proof: Proof
    tolerance: float = 0.0
    unit: str = ""
    table: tuple[tuple[object, ...], ...] = ()
    ours: Callable[..., float] | None = None
    side: Side = Side.ABOUT
    is_share: bool = False

    @property
    def value(self) -> float:
        """The one published value; of a row with several, an error."""
        ((*_, published),) = self.table
        return _number(published)

    def published(self, *args: object) -> float:
        """What was published for these arguments."""
        (found,) = (line[-1] for line in self.table if line[:-1] == args)
        return _number(found)

    def off(self, ours: float, published: float) -> float:
        """How far ours is from what was published, on the side that counts."""
        off = ours - published
        if self.side is Side.LEAST:
            off = min(0.0, off)
        elif self.side is Side.MOST:
            off = max(0.0, off)
        return off / abs(published) if self.is_share and published else off

    def holds(self, off: float) -> bool:
        return abs(off) <= self.tolerance + ROUNDING

    def measured(self) -> Measured:
        """Work out ours for every published value; the worst is told."""
        if self.ours is None:
            raise ValueError(f"{self.id} is measured by a test, not by itself")
        found = []
        for *args, published in self.table:
            theirs, mine = _number(published), float(self.ours(*args))
            found.append(Measured(len(self.table), self.off(mine, theirs), theirs, mine))
        return max(found, key=lambda each: each.badness)

    def saw(self, ours: float, published: float | None = None, cases: int = 1) -> None:
        """Hold a measurement of a test against the row, and note it for the table.

        Without a published value it is held against the row's own, or else it is itself how far
        off ours is.
        """
        theirs = self.value if published is None and len(self.table) == 1 else published
        off = ours if theirs is None else self.off(ours, theirs)
        assert self.holds(off), (
            f"{self.id}: ours {ours:.6g}, published {theirs}, off by {off:.3g}; "
            f"allowed: {self.tolerance:g} {self.unit}".rstrip()
        )
        noted = Measured(cases, off, theirs, None if theirs is None else ours)
        if where := os.environ.get(NOTES):
            with open(where, "a", encoding="utf-8") as notes:  # noqa: PTH123 - one call in a loop
                notes.write(json.dumps([self.id, *noted]) + "\n")

    def agrees(self, wrong: int = 0, cases: int = 1) -> None:
        """Hold a count of broken cases against the row: none is allowed but by its tolerance."""
        self.saw(float(wrong), cases=cases)


def together(one: Measured, other: Measured) -> Measured:
    """Join two measurements of one row: all cases, and the worst of both."""
    worst = max(one, other, key=lambda each: each.badness)
    return worst._replace(cases=one.cases + other.cases)


def spoilt(row: Row) -> Row:
    """The same row with a first value that ours cannot agree with: to see that it would be seen."""
    (*args, published), *rest = row.table
    value = _number(published)
    reach = row.tolerance * (abs(value) if row.is_share else 1.0)
    away = copysign(2 * reach + 1 + abs(value), 1 if row.side is not Side.MOST else -1)
    return replace(row, table=((*args, value + away), *rest))


def _number(published: object) -> float:
    if not isinstance(published, int | float):
        raise TypeError(f"{published!r} is published as a value; allowed: a number")
    return float(published)
