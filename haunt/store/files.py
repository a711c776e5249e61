"""Files of a data folder: written whole, there after a power cut, and readable by their owner only.

Nothing here overwrites: a name that is taken is refused, or another one is found.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import file_digest
from pathlib import Path


def write_new(path: Path, content: str | bytes, mode: int = 0o600) -> None:
    """Raises OSError where the disk refuses it, FileExistsError among them."""
    raw = content.encode() if isinstance(content, str) else content
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as out:
        out.write(raw)
        out.flush()
        os.fsync(out.fileno())


def sync_folder(folder: Path) -> None:
    """A name given or taken survives a power cut from here on."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file in hex, read a piece at a time."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()


def next_free(path: Path) -> Path:
    """Return the path, or where it is taken the first of `NAME-2`, `NAME-3` that is not."""
    found, number = path, 1
    while found.exists():
        number += 1
        found = path.with_name(f"{path.name}-{number}")
    return found


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Wait for the folder's lock: a server and a command line may be at it at once."""
    lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)
