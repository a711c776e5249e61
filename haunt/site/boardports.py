"""What the page of a board needs from the journal."""

from typing import Protocol

from haunt.store.boardrows import Became, Run


class BoardBook(Protocol):
    """Short reads, one statement each."""

    def runs(self, board: str) -> list[Run]: ...
    def became(self, board: str, since_ms: int) -> list[Became]: ...


class NoHistory:
    """A site without a journal."""

    def runs(self, board: str) -> list[Run]:  # noqa: ARG002 - the port's word
        return []

    def became(self, board: str, since_ms: int) -> list[Became]:  # noqa: ARG002 - as above
        return []
