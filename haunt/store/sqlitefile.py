"""One database file as SQLite itself sees it, without engines: opened, counted, its version."""

import sqlite3
from pathlib import Path
from typing import Final, Literal
from urllib.parse import quote

DATABASE: Final = "haunt.db"
"""What the file of a data folder is called."""
BUSY_S: Final = 5.0
UNREADABLE: Final = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged file may raise: its bytes may be in SQLite's own words about it."""

Mode = Literal["ro", "rw", "rwc"]


def connect(path: Path, mode: Mode = "rw", *, own_thread: bool = True) -> sqlite3.Connection:
    """Open it; transactions are begun by whoever asks. Raises sqlite3.Error.

    Not "ro" for a reader by itself: a database closed in order has no shared memory, and such a
    one could not make it. With `own_thread` off it may be handed from thread to thread.
    """
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode={mode}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=own_thread,
    )


def count_rows(connection: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each table has, by its name."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' "
        "ESCAPE '\\' ORDER BY name"
    ).fetchall()
    return {
        name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608
        for (name,) in names
    }


def revision_of(connection: sqlite3.Connection) -> str | None:
    """Return the schema's revision; None for a database that is not ours."""
    try:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.OperationalError:
        return None
    return str(row[0]) if row is not None else None
