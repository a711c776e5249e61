"""Keeps the pools of lines: what there is to say, and what people made of it.

Which lines are said stands in the show file alone; what it has to follow yet is marked here.
"""

from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Engine, Executable, delete, exists, func, insert, select, update

from haunt.store import tables
from haunt.store.refusal import StoreRefused
from haunt.store.writing import insert_or, transaction
from haunt.study.pools.pool import PoolLine, State

POOL_MAX: Final = 2000
"""Lines of one behaviour; more nobody judges."""


class LineStore:
    """Thread-safe. Writes raise StoreRefused where the database does not take them."""

    def __init__(self, writing: Engine, reading: Engine) -> None:
        self._writing, self._reading = writing, reading

    def of(self, prop: str, behaviour: str) -> list[PoolLine]:
        """Return a pool in the order in which its lines came."""
        table = tables.lines
        return self._found(table.c.prop == prop, table.c.behaviour == behaviour)

    def every(self) -> list[PoolLine]:
        return self._found()

    def pending(self) -> list[PoolLine]:
        return self._found(tables.lines.c.pending == 1)

    def add(self, lines: Sequence[PoolLine]) -> int:
        """Add what the pool does not have, and return how many those were.

        A line that was struck stays struck. Raises StoreRefused, with nothing added, where a pool
        would be too big.
        """
        if not lines:
            return 0
        rows = [each._asdict() | {"pending": int(each.pending)} for each in lines]
        with transaction(self._writing, "the lines could not be kept") as connection:
            before = self._count(connection)
            fresh = insert_or(tables.lines, connection.dialect.name).on_conflict_do_nothing()
            connection.execute(fresh, rows)
            added = self._count(connection) - before
            for prop, behaviour, count in connection.execute(_OVERFULL):
                raise StoreRefused(
                    f"{prop}.{behaviour} would have {count} lines; a pool holds {POOL_MAX}"
                )
        return added

    def judge(self, line: PoolLine) -> None:
        """Keep a line as it is given, whether it was known or not; the file is to follow."""
        table, values = tables.lines, line._asdict() | {"pending": 1}
        keys = {key: values[key] for key in ("prop", "behaviour", "name")}
        rest = {key: each for key, each in values.items() if key not in keys}
        known = [table.c[key] == each for key, each in keys.items()]
        with transaction(self._writing, "the line could not be kept") as connection:
            changed = connection.execute(update(table).where(*known).values(**rest)).rowcount
            if not changed:
                connection.execute(insert(table).values(**values))

    def followed(self, lines: Sequence[PoolLine]) -> None:
        """Note that the show file says what these rows said; who was judged since stays open."""
        table = tables.lines
        for each in lines:
            self._write(
                update(table)
                .where(
                    table.c.prop == each.prop,
                    table.c.behaviour == each.behaviour,
                    table.c.name == each.name,
                    table.c.state == each.state,
                    table.c.at_ms == each.at_ms,
                )
                .values(pending=0)
            )

    def reopen_new(self) -> None:
        """Let the show file look at every new line again: gibberish became welcome."""
        table = tables.lines
        self._write(update(table).where(table.c.state == State.NEW).values(pending=1))

    def _found(self, *wanted: Any) -> list[PoolLine]:
        table = tables.lines
        columns = [table.c[name] for name in PoolLine._fields]
        query = select(*columns).where(*wanted).order_by(table.c.id)
        with self._reading.connect() as connection:
            rows = connection.execute(query).all()
        return [_line(each._asdict()) for each in rows]

    def _count(self, connection: Any) -> int:
        found: int = connection.execute(select(func.count()).select_from(tables.lines)).scalar_one()
        return found

    def _write(self, statement: Executable) -> None:
        with transaction(self._writing, "the lines could not be changed") as connection:
            connection.execute(statement)


def renaming(kind: str, old: str, new: str) -> list[Executable]:
    """Move rows to a prop or behaviour (`gatekeeper.growl`) that is called otherwise by now.

    What was left there by one that was called so before gives way, where it is the same line.
    """
    table, left = tables.lines, tables.lines.alias("left")
    keys = {"prop": ("prop",), "prop.behaviour": ("prop", "behaviour")}.get(kind)
    if keys is None:
        return []
    was, now = (dict(zip(keys, each.split("."), strict=True)) for each in (old, new))
    rest = [key for key in ("prop", "behaviour", "name") if key not in keys]
    twins = [left.c[key] == value for key, value in was.items()]
    twins += [left.c[key] == table.c[key] for key in rest]
    there = [table.c[key] == value for key, value in now.items()]
    moved = [table.c[key] == value for key, value in was.items()]
    return [
        delete(table).where(*there, exists().where(*twins)),
        update(table).where(*moved).values(**now),
    ]


def _line(row: dict[str, Any]) -> PoolLine:
    return PoolLine(**{**row, "state": State(row["state"]), "pending": bool(row["pending"])})


_OVERFULL: Final = (
    select(tables.lines.c.prop, tables.lines.c.behaviour, func.count())
    .group_by(tables.lines.c.prop, tables.lines.c.behaviour)
    .having(func.count() > POOL_MAX)
)
