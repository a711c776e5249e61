"""What printing needs from the rest of the program."""

from typing import NamedTuple, Protocol


class Wifi(NamedTuple):
    """A network to join; without a password it is an open one."""

    name: str
    password: str


class Press(Protocol):
    """`address` is where phones find the pages, by a name where there is one; may be empty."""

    def address(self) -> str: ...
    def wifi(self) -> Wifi | None: ...
    def keep_wifi(self, wifi: Wifi | None) -> None:
        """Keep a network for the next card; None forgets it."""
        ...


class NoPress:
    """A site that knows no address but the one it was asked by, and keeps nothing."""

    def address(self) -> str:
        return ""

    def wifi(self) -> Wifi | None:
        return None

    def keep_wifi(self, wifi: Wifi | None) -> None: ...
