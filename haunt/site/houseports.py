"""What owners need of the house itself: its backups, its boards' credentials, its authority."""

from collections.abc import Iterator, Mapping
from typing import NamedTuple, Protocol


class HouseRefused(Exception):  # noqa: N818 - the word says what happened
    """Why something was not done to the house, and what to do."""


# --- trust


class Trust(Protocol):
    """The authority that phones install, as PEM, and its SHA-256 to compare it by."""

    @property
    def pem(self) -> bytes: ...
    @property
    def fingerprint(self) -> str: ...


# --- backups


class Copy(NamedTuple):
    """One backup. `rows` counts by table; `tried_ms` is when a start from it last worked."""

    name: str
    at_ms: int
    why: str
    size_bytes: int
    rows: Mapping[str, int]
    tried_ms: int | None = None


class Standing(NamedTuple):
    """`trouble` is empty while backups are made; `words` is what the last start did to the data."""

    copies: tuple[Copy, ...] = ()
    trouble: str = ""
    words: tuple[str, ...] = ()


class Loss(NamedTuple):
    """What going back to a copy would cost: what is there now, and who could sign in as owner."""

    copy: Copy
    rows: Mapping[str, int]
    owners: tuple[str, ...]


class Parcel(NamedTuple):
    """A backup as one file to take away."""

    name: str
    size_bytes: int
    pieces: Iterator[bytes]


class BackupBook(Protocol):
    """Backups of this data folder. All may take seconds, none from the owner's thread.

    Each raises HouseRefused.
    """

    def standing(self) -> Standing: ...
    def back_up(self) -> Copy: ...
    def try_out(self, name: str) -> str:
        """Start from a copy of it, as a restore would; return in words that it works."""
        ...

    def loss(self, name: str) -> Loss: ...
    def restore(self, name: str, by: str) -> str:
        """Try it out and put it down for the next start."""
        ...

    def again(self) -> None:
        """Start anew once this answer is out. For the application's loop."""
        ...

    def parcel(self, name: str, *, with_keys: bool) -> Parcel: ...


NO_BACKUPS = "this server keeps no backups"


class NoBackups:
    """A site without a data folder."""

    def standing(self) -> Standing:
        return Standing(trouble=NO_BACKUPS)

    def back_up(self) -> Copy:
        raise HouseRefused(NO_BACKUPS)

    def try_out(self, name: str) -> str:
        raise HouseRefused(f"{NO_BACKUPS}: {name}")

    def loss(self, name: str) -> Loss:
        raise HouseRefused(f"{NO_BACKUPS}: {name}")

    def restore(self, name: str, by: str) -> str:
        raise HouseRefused(f"{NO_BACKUPS}: {name}, {by}")

    def again(self) -> None:
        raise HouseRefused(NO_BACKUPS)

    def parcel(self, name: str, *, with_keys: bool) -> Parcel:
        raise HouseRefused(f"{NO_BACKUPS}: {name}, {with_keys}")


# --- credentials of boards


class Credential(NamedTuple):
    """What a board needs to sign in, as the file that its firmware reads; shown once.

    `note` says what stands in the way of its use, if something does.
    """

    board: str
    text: str
    note: str = ""


class Keyring(Protocol):
    """Names and passwords of boards at the kept broker. All touch the disk.

    Each raises HouseRefused.
    """

    @property
    def foreign(self) -> str:
        """Say whose broker it is, where it is not ours; else empty."""
        ...

    def has(self, board: str) -> bool: ...
    def make(self, board: str) -> Credential: ...
    def rotate(self, board: str) -> Credential: ...
    def revoke(self, board: str) -> None: ...


class NoKeyring:
    """A site without a broker of its own."""

    foreign = "There is no broker of ours here that could know a board's password."

    def has(self, board: str) -> bool:  # noqa: ARG002 - the port's word
        return False

    def make(self, board: str) -> Credential:
        raise HouseRefused(f"{self.foreign} ({board})")

    def rotate(self, board: str) -> Credential:
        raise HouseRefused(f"{self.foreign} ({board})")

    def revoke(self, board: str) -> None:
        raise HouseRefused(f"{self.foreign} ({board})")
