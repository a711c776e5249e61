"""Who may sign in at the kept broker, and the files that tell Mosquitto so.

Passwords are random and long, so a fast hash is enough; they are shown once and kept only hashed,
save the controller's own.
"""

import json
import secrets
from base64 import b64encode
from hashlib import pbkdf2_hmac
from pathlib import Path
from typing import TypedDict

from haunt.wire.forms import BOARD_ID_ALLOWED, is_board_id

ROUNDS = 101
"""Mosquitto's own default. The passwords carry 144 bits: guessing is hopeless at any count."""


class CredentialRefused(Exception):  # noqa: N818 - the word says what happened
    """What is wrong with the request, and what is allowed."""


def hashed(password: str, salt: bytes | None = None) -> str:
    """Return a line's second half as `mosquitto_passwd` writes it: `$7$` PBKDF2-HMAC-SHA512."""
    salt = secrets.token_bytes(12) if salt is None else salt
    digest = pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"$7${ROUNDS}${b64encode(salt).decode()}${b64encode(digest).decode()}"


def acl_text(root: str, controller: str) -> str:
    """A board writes and reads its own topics only, wills included; `%u` is its own id."""
    up = "\n".join(
        f"pattern write {root}/%u/{k}" for k in ("presence", "motion", "health", "report")
    )
    down = "\n".join(f"pattern read {root}/%u/{k}" for k in ("cue", "settings"))
    return (
        f"user {controller}\ntopic readwrite {root}/#\n\n{up}\n{down}\npattern read {root}/all/#\n"
    )


class _Kept(TypedDict):
    controller: str
    hashes: dict[str, str]


class Credentials:
    """Kept in one folder, written whole or not at all, readable by the owner only."""

    def __init__(self, folder: Path, show: str) -> None:
        self.folder, self.root = folder, f"haunt/{show}"
        self.controller = f"{show}-controller"
        self._kept = folder / "credentials.json"

    def controller_password(self) -> str:
        """Make it at the first call; it never leaves the folder."""
        kept = self._read()
        if not kept["controller"] or self.controller not in kept["hashes"]:
            kept["controller"] = secrets.token_urlsafe(18)
            kept["hashes"][self.controller] = hashed(kept["controller"])
            self._write(kept)
        return kept["controller"]

    def add(self, board: str) -> str:
        """Return the new password. Raises CredentialRefused."""
        if not is_board_id(board) or board == self.controller:
            raise CredentialRefused(f"board id {board!r}; allowed: {BOARD_ID_ALLOWED}")
        if board in self._read()["hashes"]:
            raise CredentialRefused(f"{board} has a credential already; rotate it instead")
        return self._set(board)

    def rotate(self, board: str) -> str:
        """Return the new password; the old one stops working at once."""
        self._must_have(board)
        return self._set(board)

    def revoke(self, board: str) -> None:
        self._must_have(board)
        kept = self._read()
        del kept["hashes"][board]
        self._write(kept)

    def boards(self) -> list[str]:
        return sorted(set(self._read()["hashes"]) - {self.controller})

    def write_files(self) -> None:
        """Write what Mosquitto reads."""
        kept = self._read()
        lines = [f"{name}:{kept['hashes'][name]}\n" for name in sorted(kept["hashes"])]
        write_private(self.folder / "passwords", "".join(lines))
        write_private(self.folder / "acl", acl_text(self.root, self.controller))

    def _must_have(self, board: str) -> None:
        if board not in self.boards():
            known = ", ".join(self.boards()) or "none"
            raise CredentialRefused(f"{board!r} has no credential; those that have: {known}")

    def _set(self, board: str) -> str:
        password = secrets.token_urlsafe(18)
        kept = self._read()
        kept["hashes"][board] = hashed(password)
        self._write(kept)
        return password

    def _read(self) -> _Kept:
        if not self._kept.exists():
            return {"controller": "", "hashes": {}}
        found: _Kept = json.loads(self._kept.read_text())
        return found

    def _write(self, kept: _Kept) -> None:
        write_private(self._kept, json.dumps(kept, indent=1))
        self.write_files()


def write_private(path: Path, text: str) -> None:
    """Replace a file whole, readable by its owner only."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    fresh = path.with_name(path.name + ".new")
    fresh.touch(mode=0o600)
    fresh.chmod(0o600)
    fresh.write_text(text)
    fresh.replace(path)
