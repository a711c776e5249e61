"""Keeps notes on what was mended at props and boards; each write one short transaction."""

from typing import Final, NamedTuple

from sqlalchemy import Engine, Executable, delete, insert, select, update

from haunt.store import tables
from haunt.store.linerows import renaming
from haunt.store.lists import INTEGER_MAX
from haunt.store.writing import transaction

PAGE: Final = 200


class Note(NamedTuple):
    """`kind` is prop or board, `about` its id; `day` the local date on which it failed."""

    id: int
    at_ms: int
    by: str
    kind: str
    about: str
    day: str
    failed: str
    done: str
    parts: str


class NoteStore:
    """Thread-safe. Writes raise StoreRefused where the database does not take them."""

    def __init__(self, writing: Engine, reading: Engine) -> None:
        self._writing, self._reading = writing, reading

    def add(self, note: Note) -> int:
        """Return its id; the one it came with is not looked at."""
        table, values = tables.maintenance, note._asdict()
        del values["id"]
        with transaction(self._writing, "the note could not be kept") as connection:
            wanted = insert(table).values(**values).returning(table.c.id)
            made: int = connection.execute(wanted).scalar_one()
        return made

    def remove(self, note: int) -> bool:
        """Say whether there was one."""
        table = tables.maintenance
        return self._write(delete(table).where(table.c.id == note)) > 0

    def rename(self, kind: str, old: str, new: str) -> None:
        """Notes stay with what they are about when it is called something else; so do lines.

        A behaviour is named with its prop: `gatekeeper.growl`.
        """
        table = tables.maintenance
        about = (table.c.kind == kind, table.c.about == old)
        with transaction(self._writing, "the notes could not be changed") as connection:
            connection.execute(update(table).where(*about).values(about=new))
            for each in renaming(kind, old, new):
                connection.execute(each)

    def notes(self, kind: str = "", about: str = "", before: int | None = None) -> list[Note]:
        """The newest first, a page of them; of one prop or board where one is named."""
        table = tables.maintenance
        query = select(table).order_by(table.c.id.desc()).limit(PAGE)
        if kind:
            query = query.where(table.c.kind == kind, table.c.about == about)
        if before is not None:
            query = query.where(table.c.id < min(before, INTEGER_MAX))
        with self._reading.connect() as connection:
            return [Note(*row) for row in connection.execute(query)]

    def _write(self, statement: Executable) -> int:
        with transaction(self._writing, "the notes could not be changed") as connection:
            return connection.execute(statement).rowcount
