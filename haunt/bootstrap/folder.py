"""A data folder is had by one haunt at a time: the lock file that says who.

What only reads, and a backup, ask for no lock.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from haunt.store.refusal import StoreRefused


@contextmanager
def alone(data: Path, otherwise: str = "end it first") -> Iterator[None]:
    """Raises StoreRefused where a server, or a restore, has the folder already."""
    try:
        data.mkdir(parents=True, exist_ok=True)
        lock = os.open(data / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as fault:
        raise StoreRefused(f"the folder {data} cannot be used: {fault.strerror}") from fault
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as fault:
            raise StoreRefused(f"another haunt runs on {data}; {otherwise}") from fault
        yield
    finally:
        os.close(lock)
