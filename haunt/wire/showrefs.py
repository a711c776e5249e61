"""Which key of a show file names what other row: for checks, renames and what goes with a row."""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from haunt.wire.showlines import Path


class Reference(NamedTuple):
    """`key` of each row of `table` holds an id of `target`, or a list of them.

    `is_needed`: without it the row makes no sense. `goes_with` is a key that stands or falls with
    it.
    """

    table: str
    key: str
    target: str
    is_needed: bool = False
    goes_with: str = ""


REFERENCES: Final = (
    Reference("supply", "circuit", "circuit"),
    Reference("board", "supply", "supply"),
    Reference("sensor", "board", "board", is_needed=True),
    Reference("prop", "board", "board", is_needed=True),
    Reference("link", "sensor", "sensor", is_needed=True),
    Reference("link", "after", "sensor", goes_with="within_s"),
    Reference("link", "prop", "prop", is_needed=True),
    Reference("timetable", "prop", "prop", is_needed=True),
    Reference("sensor", "sees", "prop"),
)
"""Where an id must lead somewhere."""

PARTS: Final = (
    Reference("board", "regulator", "regulator"),
    Reference("board", "driver", "driver"),
)
"""Where a name may lead to a row of the file, or to a part that the workshop knows."""


class Use(NamedTuple):
    """One place that names a row: the path of the row that does so."""

    reference: Reference
    path: Path


def uses_of(raw: Any, table: str, name: str) -> Iterator[Use]:
    """Every place that names this id, in the order of the references, then of the file."""
    for each in (*REFERENCES, *PARTS):
        if each.target != table:
            continue
        for number, row in enumerate(raw.get(each.table, ())):
            value = row.get(each.key)
            if value == name or (isinstance(value, list) and name in value):
                yield Use(each, (each.table, number))


def behaviour_uses_of(raw: Any, prop: str, name: str) -> Iterator[Path]:
    """Rows of the timetable that name a behaviour of a prop."""
    for number, row in enumerate(raw.get("timetable", ())):
        if row.get("prop") == prop and row.get("behaviour") == name:
            yield ("timetable", number)
