"""Credentials of boards at the broker that is kept here, for pages: the broker is told at once."""

import json
from collections.abc import Callable
from typing import Final, TypeVar

from haunt.bootstrap.broker import Joined
from haunt.bootstrap.offline import credential
from haunt.config import Config, is_loopback
from haunt.mqtt.credentials import CredentialRefused, Credentials
from haunt.mqtt.kept import KeptBroker, reload_running
from haunt.mqtt.loopback import LibraryBroker
from haunt.site.houseports import Credential, HouseRefused, Keyring
from haunt.wire.boardfile import parts_of

FOREIGN: Final = (
    "The broker at {where} is not kept by haunt: make a board's credential with haunt boards add, "
    "and hand whoever keeps the broker the files that haunt boards export writes."
)
ALONE: Final = (
    "The broker listens on this machine alone, so no board on the Wi-Fi reaches it: start haunt "
    "with --mqtt 0.0.0.0:{port}."
)

Found = TypeVar("Found")


class ForeignKeyring:
    """Satisfies `site.houseports.Keyring` where the broker is somebody else's."""

    def __init__(self, host: str, port: int) -> None:
        self.foreign = FOREIGN.format(where=f"{host}:{port}")

    def has(self, board: str) -> bool:  # noqa: ARG002 - the port's word
        return False

    def make(self, board: str) -> Credential:  # noqa: ARG002
        raise HouseRefused(self.foreign)

    def rotate(self, board: str) -> Credential:  # noqa: ARG002
        raise HouseRefused(self.foreign)

    def revoke(self, board: str) -> None:  # noqa: ARG002
        raise HouseRefused(self.foreign)


def keyring_of(config: Config, show: str, joined: Joined, text: Callable[[], str]) -> Keyring:
    """`text` is the show file as it is kept now."""
    if joined.kept is None:
        return ForeignKeyring(joined.account.host, joined.account.port)
    return KeptKeyring(config, show, joined.kept, text)


class KeptKeyring:
    """Satisfies `site.houseports.Keyring`. The command line may change the same files meanwhile."""

    foreign = ""

    def __init__(
        self, config: Config, show: str, kept: KeptBroker | LibraryBroker, text: Callable[[], str]
    ) -> None:
        self._credentials = Credentials(config.data / "broker", show)
        self._kept, self._show = kept, text

    def has(self, board: str) -> bool:
        try:
            return board in self._credentials.boards()
        except CredentialRefused as refused:
            raise HouseRefused(str(refused)) from refused

    def make(self, board: str) -> Credential:
        return self._shown(board, self._changed(self._credentials.add, board))

    def rotate(self, board: str) -> Credential:
        return self._shown(board, self._changed(self._credentials.rotate, board))

    def revoke(self, board: str) -> None:
        self._changed(self._credentials.revoke, board)

    def _changed(self, change: Callable[[str], Found], board: str) -> Found:
        try:
            found = change(board)
        except (CredentialRefused, OSError) as refused:
            raise HouseRefused(str(refused)) from refused
        reload_running(self._credentials.folder)
        return found

    def _shown(self, board: str, password: str) -> Credential:
        host, port = self._kept.host, self._kept.port
        parts = parts_of(self._show(), board)
        found = credential((host, port), self._credentials.root, board, password, parts)
        notes = [ALONE.format(port=port)] if is_loopback(host) else []
        notes += [parts.words] if parts.words else []
        return Credential(board, json.dumps(found) + "\n", " ".join(notes))
