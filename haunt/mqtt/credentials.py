"""Who may sign in at the kept broker, and the files that tell Mosquitto so.

Passwords are random and long, so a fast hash is enough; they are shown once and kept only hashed,
save the controller's own.
"""

import fcntl
import json
import os
import secrets
from base64 import b64encode
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from hashlib import pbkdf2_hmac
from pathlib import Path
from typing import NamedTuple

from haunt.wire.forms import BOARD_ID_ALLOWED, is_board_id
from haunt.wire.topics import Topics

ROUNDS = 101
"""Mosquitto's own default. The passwords carry 144 bits: guessing is hopeless at any count, and a
garden that signs in at once after a power cut costs the broker 0.1 ms a board, not 0.1 s."""
PASSWORD_BYTES = 18
USERNAME = "%u"  # Mosquitto puts the name of whoever asks in its place


class CredentialRefused(Exception):  # noqa: N818 - the word says what happened
    """What is wrong with the request, and what is allowed."""


class Kept(NamedTuple):
    """`controller` is the one password kept in clear: the controller must sign in with it."""

    controller: str
    hashes: dict[str, str]


def hashed(password: str, salt: bytes | None = None) -> str:
    """Return a line's second half as `mosquitto_passwd` writes it: `$7$` PBKDF2-HMAC-SHA512."""
    salt = secrets.token_bytes(12) if salt is None else salt
    digest = pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS)
    return f"$7${ROUNDS}${b64encode(salt).decode()}${b64encode(digest).decode()}"


def password_text(hashes: Mapping[str, str]) -> str:
    return "".join(f"{name}:{hashes[name]}\n" for name in sorted(hashes))


def acl_text(show: str, controller: str) -> str:
    """A board writes and reads its own topics only, wills included."""
    topics = Topics(show)
    stand_in = "u"  # any board id; all its topics have the username in its place
    lines = [f"user {controller}", f"topic readwrite {topics.root}/#", ""]
    for verb, allowed in (
        ("write", topics.board_may_write(stand_in)),
        ("read", topics.board_may_read(stand_in)),
    ):
        own = f"{topics.root}/{stand_in}/"
        lines += [
            f"pattern {verb} {each.replace(own, f'{topics.root}/{USERNAME}/', 1)}"
            for each in allowed
        ]
    return "\n".join(lines) + "\n"


class Credentials:
    """Kept in one folder, written whole or not at all, readable by the owner only.

    A server and a command line may change them at once: each change has the folder to itself.
    """

    def __init__(self, folder: Path, show: str) -> None:
        self.folder, self.show, self.root = folder, show, Topics(show).root
        self.controller = f"{show}-controller"
        self._kept = folder / "credentials.json"

    def controller_password(self) -> str:
        """Make it at the first call; it never leaves the folder."""
        with self._alone():
            kept = self._read()
            if kept.controller and self.controller in kept.hashes:
                return kept.controller
            password = secrets.token_urlsafe(PASSWORD_BYTES)
            self._write(Kept(password, {**kept.hashes, self.controller: hashed(password)}))
            return password

    def add(self, board: str) -> str:
        """Return the new password. Raises CredentialRefused."""
        if not is_board_id(board) or board == self.controller:
            raise CredentialRefused(f"board id {board!r}; allowed: {BOARD_ID_ALLOWED}")
        with self._alone():
            kept = self._read()
            if board in kept.hashes:
                raise CredentialRefused(f"{board} has a credential already; rotate it instead")
            return self._set(kept, board)

    def rotate(self, board: str) -> str:
        """Return the new password. The old one counts until the broker has been told."""
        with self._alone():
            return self._set(self._must_have(board), board)

    def revoke(self, board: str) -> None:
        with self._alone():
            kept = self._must_have(board)
            self._write(kept._replace(hashes={k: v for k, v in kept.hashes.items() if k != board}))

    def kept(self) -> Kept:
        """Return all of it. Raises CredentialRefused where the file is damaged."""
        return self._read()

    def boards(self) -> list[str]:
        return sorted(set(self._read().hashes) - {self.controller})

    def write_files(self) -> None:
        """Write what Mosquitto reads."""
        with self._alone():
            self._write_files(self._read())

    def _must_have(self, board: str) -> Kept:
        kept = self._read()
        if board == self.controller or board not in kept.hashes:
            known = ", ".join(sorted(set(kept.hashes) - {self.controller})) or "none"
            raise CredentialRefused(f"{board!r} has no credential; those that have: {known}")
        return kept

    def _set(self, kept: Kept, board: str) -> str:
        password = secrets.token_urlsafe(PASSWORD_BYTES)
        self._write(kept._replace(hashes={**kept.hashes, board: hashed(password)}))
        return password

    def _read(self) -> Kept:
        try:
            found = json.loads(self._kept.read_text())
            hashes = {str(name): str(line) for name, line in found["hashes"].items()}
            return Kept(str(found["controller"]), hashes)
        except FileNotFoundError:
            return Kept("", {})
        except (ValueError, KeyError, TypeError, AttributeError) as fault:
            raise CredentialRefused(
                f"{self._kept} is damaged ({fault}); restore it from a backup, or remove it and "
                "add every board again"
            ) from fault

    def _write(self, kept: Kept) -> None:
        write_private(self._kept, json.dumps(kept._asdict(), indent=1))
        self._write_files(kept)

    def _write_files(self, kept: Kept) -> None:
        write_private(self.folder / "passwords", password_text(kept.hashes))
        write_private(self.folder / "acl", acl_text(self.show, self.controller))

    @contextmanager
    def _alone(self) -> Iterator[None]:
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield
        finally:
            os.close(lock)


def is_sound(folder: Path) -> bool:
    """Whether the folder has credentials that can be read."""
    try:
        Credentials(folder, "any").boards()
    except (CredentialRefused, OSError):
        return False
    return (folder / "credentials.json").exists()


def _is_private(path: Path) -> bool:
    return path.is_file() and not path.stat().st_mode & 0o077


def write_private(path: Path, text: str) -> None:
    """Replace a file whole, readable by its owner only, there even after a power cut.

    One that says the same already is left alone: a broker, or we, must start on a full disk.
    """
    if _is_private(path) and path.read_bytes() == text.encode():
        return
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    fresh = path.with_name(path.name + ".new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())
    fresh.replace(path)
