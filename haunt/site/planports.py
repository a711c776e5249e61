"""What the plan's pages need from the rest of the program, beside the show's keeper."""

from typing import Protocol

from haunt.store.notes import Note
from haunt.store.shows import ShowVersion


class Shelf(Protocol):
    """Every version of the show file that was kept."""

    def versions(self, limit: int, before: int | None = None) -> list[ShowVersion]:
        """The newest first; below a number where one is named."""
        ...

    def version(self, number: int) -> ShowVersion | None: ...


class NoShelf:
    """A site that keeps no versions."""

    def versions(self, limit: int, before: int | None = None) -> list[ShowVersion]:  # noqa: ARG002
        return []

    def version(self, number: int) -> ShowVersion | None:  # noqa: ARG002 - the port's word
        return None


class Notes(Protocol):
    """Notes on what was mended. Writes raise StoreRefused."""

    def add(self, note: Note) -> int: ...
    def remove(self, note: int) -> bool: ...
    def rename(self, kind: str, old: str, new: str) -> None:
        """Let notes, and lines that were judged, stay with what is called otherwise."""
        ...

    def notes(self, kind: str = "", about: str = "", before: int | None = None) -> list[Note]:
        """The newest first, a page of them; of one prop or board where one is named."""
        ...


class NoNotes:
    """A site without a store: it forgets."""

    def add(self, note: Note) -> int:
        return note.id

    def remove(self, note: int) -> bool:  # noqa: ARG002 - the port's word
        return False

    def rename(self, kind: str, old: str, new: str) -> None:
        """There is nothing to rename."""

    def notes(self, kind: str = "", about: str = "", before: int | None = None) -> list[Note]:  # noqa: ARG002
        return []
