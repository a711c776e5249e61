"""What people checked before a night and how far sensors saw: rows are only ever added.

It also tells, out of the journal, what a night's opening can be judged by.
"""

from collections.abc import Iterable
from typing import Final, NamedTuple

from sqlalchemy import Engine, Insert, func, insert, select

from haunt.store import tables
from haunt.store.writing import transaction

ROWS_MAX: Final = 2000
STOPS_MAX: Final = 200


class Check(NamedTuple):
    """One line of a day as it stands: ticked or not, when (UTC ms), by whom."""

    day: str
    line: str
    at_ms: int
    by: str
    done: bool
    note: str = ""


class Range(NamedTuple):
    """How far a sensor saw somebody; `range_cm` None where only words were kept."""

    sensor: str
    at_ms: int
    by: str
    range_cm: int | None
    words: str


class Tried(NamedTuple):
    """The newest stop that was released afterwards: by whom each, when."""

    stopped_ms: int
    stopped_by: str
    released_ms: int
    released_by: str


def as_they_stand(checks: Iterable[Check]) -> dict[str, Check]:
    """Of each line the newest counts; they come oldest first."""
    return {each.line: each for each in checks}


class CheckStore:
    """Thread-safe. Satisfies `site.checkports.CheckBook`."""

    def __init__(self, writing: Engine, reading: Engine) -> None:
        self._writing, self._reading = writing, reading

    # --- a day's checks

    def of(self, day: str) -> dict[str, Check]:
        """Return each line of a day as it stands now, by its name."""
        table = tables.checks
        query = select(table).where(table.c.day == day).order_by(table.c.id.desc())
        with self._reading.connect() as connection:
            rows = connection.execute(query.limit(ROWS_MAX)).mappings().all()
        return as_they_stand(
            Check(row["day"], row["line"], row["at_ms"], row["by"], bool(row["done"]), row["note"])
            for row in reversed(rows)
        )

    def note(self, check: Check) -> None:
        """Raises StoreRefused."""
        self._add(insert(tables.checks).values(check._asdict() | {"done": int(check.done)}))

    # --- ranges

    def ranges(self) -> dict[str, Range]:
        """Return the newest of each sensor."""
        table = tables.ranges
        newest = select(func.max(table.c.id)).group_by(table.c.sensor)
        with self._reading.connect() as connection:
            rows = connection.execute(select(table).where(table.c.id.in_(newest))).mappings()
            return {
                row["sensor"]: Range(
                    row["sensor"], row["at_ms"], row["by"], row["range_cm"], row["words"]
                )
                for row in rows
            }

    def note_range(self, found: Range) -> None:
        """Raises StoreRefused."""
        self._add(insert(tables.ranges).values(found._asdict()))

    # --- out of the journal

    def seen_since(self, since_ms: int) -> dict[str, int]:
        """Return when each sensor reported last (UTC ms), of those that did."""
        table = tables.motions
        query = (
            select(table.c.sensor, func.max(table.c.at_ms))
            .where(table.c.at_ms >= since_ms)
            .group_by(table.c.sensor)
        )
        with self._reading.connect() as connection:
            return {row[0]: row[1] for row in connection.execute(query)}

    def stop_tried(self, since_ms: int) -> Tried | None:
        table = tables.actions
        query = (
            select(table.c.what, table.c.at_ms, table.c.by)
            .where(table.c.at_ms >= since_ms, table.c.what.in_(("stop", "stop released")))
            .order_by(table.c.id.desc())
            .limit(STOPS_MAX)
        )
        released: tuple[int, str] | None = None
        with self._reading.connect() as connection:
            for what, at_ms, by in connection.execute(query):
                if what == "stop released":
                    released = (at_ms, by)
                elif released is not None:
                    return Tried(at_ms, by, *released)
        return None

    def _add(self, wanted: Insert) -> None:
        with transaction(self._writing, "the check could not be kept") as connection:
            connection.execute(wanted)
