"""Copies of a SQLite database while it is in use: taken whole, checked, named by time.

It never writes to the database it copies, and takes none where that would fill the disk.
"""

import json
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Final, Literal, NamedTuple

from haunt.store.files import alone, digest, next_free, sync_folder, write_new
from haunt.store.instants import stamp
from haunt.store.sqlitefile import DATABASE, UNREADABLE, connect, count_rows, revision_of

MANIFEST: Final = "backup.json"
RESERVE_BYTES: Final = 200 * 1024 * 1024
"""What a copy must leave free: room for a long night's journal."""
STEP_PAGES: Final = 256  # a megabyte, then a pause in which the journal has the disk to itself
PAUSE_S: Final = 0.005

Why = Literal["scheduled", "hand", "upgrade", "restore"]


class BackupRefused(Exception):  # noqa: N818 - the word says what happened
    """A backup cannot be taken or used: why, and what to do."""


class Backup(NamedTuple):
    """A folder with the database, small files that belong to it, and what it holds in numbers."""

    path: Path
    at_ms: int
    why: str
    size_bytes: int
    revision: str | None
    rows: dict[str, int]
    sums: dict[str, str]

    @property
    def name(self) -> str:
        return self.path.name

    @property
    def database(self) -> Path:
        return self.path / DATABASE


def free_bytes(folder: Path) -> int:
    return shutil.disk_usage(folder).free


def take(
    database: Path,
    folder: Path,
    at_ms: int,
    why: Why,
    *,
    also: Sequence[Path] = (),
    free: Callable[[Path], int] = free_bytes,
) -> Backup:
    """Copy the database as it is at this instant, and the files of `also` that exist.

    Writers are not held up. Raises BackupRefused and leaves nothing half made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        with alone(folder):
            _refuse_where_low(database, folder, free)
            return _take(database, folder, at_ms, why, also)
    except (OSError, *UNREADABLE) as fault:
        raise BackupRefused(f"no backup of {database} could be made: {fault}") from fault


def _refuse_where_low(database: Path, folder: Path, free: Callable[[Path], int]) -> None:
    log = database.with_name(database.name + "-wal")
    needed = sum(each.stat().st_size for each in (database, log) if each.exists())
    there = free(folder)
    if there < needed + RESERVE_BYTES:
        raise BackupRefused(
            f"the disk is low: a backup needs {_mb(needed)} and must leave {_mb(RESERVE_BYTES)} "
            f"for the night, {_mb(there)} are free; make room beside {folder}"
        )


def _mb(count: int) -> str:
    return f"{count / 1024 / 1024:.0f} MB"


def _take(database: Path, folder: Path, at_ms: int, why: Why, also: Sequence[Path]) -> Backup:
    for left in folder.glob("*.new"):  # of one that was cut short
        shutil.rmtree(left)
    final = next_free(folder / f"{stamp(at_ms)}-{why}")
    fresh = final.with_name(final.name + ".new")
    fresh.mkdir(mode=0o700)
    try:
        rows, revision = _copy(database, fresh / DATABASE)
        for each in also:
            if each.is_file():
                write_new(fresh / each.name, each.read_bytes())
        return put_in_place(fresh, final, at_ms, why, revision, rows)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise


def put_in_place(
    fresh: Path, final: Path, at_ms: int, why: Why, revision: str | None, rows: dict[str, int]
) -> Backup:
    """Write the manifest of a copy that is whole, and give it its name. Raises OSError."""
    sums = {each.name: digest(each) for each in sorted(fresh.iterdir())}
    size = sum(each.stat().st_size for each in fresh.iterdir())
    made = Backup(final, at_ms, why, size, revision, rows, sums)
    write_new(fresh / MANIFEST, json.dumps({**made._asdict(), "path": final.name}, indent=1))
    fresh.rename(final)
    sync_folder(final.parent)
    return made


def _copy(database: Path, to: Path) -> tuple[dict[str, int], str | None]:
    """Return what both sides hold, counted in one and the same instant of the original."""
    os.close(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(connect(database)) as source, closing(connect(to)) as copy:
        source.execute("PRAGMA query_only=ON")
        source.execute("BEGIN")
        rows = count_rows(source)  # the first read: from here on this is the instant
        source.backup(copy, pages=STEP_PAGES, progress=_make_way)
        source.execute("ROLLBACK")
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, whole in itself
        check(copy, rows)
        revision = revision_of(copy)
    with to.open("rb") as written:
        os.fsync(written.fileno())
    return rows, revision


def _make_way(_status: int, remaining: int, _total: int) -> None:
    if remaining:
        time.sleep(PAUSE_S)


def check(connection: sqlite3.Connection, rows: dict[str, int]) -> None:
    """Raises BackupRefused where the database is not sound or not of these counts."""
    try:
        said = [row[0] for row in connection.execute("PRAGMA integrity_check(3)")]
        found = count_rows(connection)
    except UNREADABLE as fault:
        raise BackupRefused(f"the copy cannot be read: {fault}") from fault
    if said != ["ok"]:
        raise BackupRefused(f"the copy is damaged: {'; '.join(said)}")
    if found != rows:
        wrong = [name for name in {*found, *rows} if found.get(name) != rows.get(name)]
        raise BackupRefused(f"the copy lacks rows of {', '.join(sorted(wrong))}")


def rows_of(database: Path) -> dict[str, int]:
    """Count what a database holds that may be in use. Raises BackupRefused."""
    try:
        with closing(connect(database)) as found:
            found.execute("PRAGMA query_only=ON")
            return count_rows(found)
    except UNREADABLE as fault:
        raise BackupRefused(f"{database.name} cannot be read: {fault}") from fault


def owners_of(database: Path) -> tuple[str, ...]:
    """Name the owners in a database who have a password, so who can sign in by themselves."""
    try:
        with closing(connect(database)) as found:
            found.execute("PRAGMA query_only=ON")
            names = found.execute(
                "SELECT name FROM people WHERE role = 'owner' AND password <> '' ORDER BY name"
            ).fetchall()
    except sqlite3.OperationalError:
        return ()  # of a time before there were people
    return tuple(str(name) for (name,) in names)


# --- what there is


def found_in(folder: Path) -> list[Backup]:
    """Return the backups of a folder, newest first; what has no readable manifest is none."""
    found = []
    for manifest in folder.glob(f"*/{MANIFEST}"):
        if manifest.parent.suffix != ".new":
            with suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
                found.append(_read(manifest))
    return sorted(found, key=lambda each: (each.at_ms, each.name), reverse=True)


def named(folder: Path, name: str) -> Backup:
    """Raises BackupRefused."""
    for each in found_in(folder):
        if each.name == name:
            return each
    known = ", ".join(each.name for each in found_in(folder)[:5]) or "none"
    raise BackupRefused(f"{folder} has no backup {name!r}; the newest are: {known}")


def _read(manifest: Path) -> Backup:
    kept = json.loads(manifest.read_text())
    return Backup(
        manifest.parent,
        int(kept["at_ms"]),
        str(kept["why"]),
        int(kept["size_bytes"]),
        kept["revision"],
        {str(name): int(count) for name, count in kept["rows"].items()},
        {str(name): str(total) for name, total in kept["sums"].items()},
    )


def verify(backup: Backup) -> None:
    """Hold every file against what was written. Raises BackupRefused."""
    for name, total in backup.sums.items():
        path = backup.path / name
        try:
            is_whole = digest(path) == total
        except OSError as fault:
            raise BackupRefused(f"backup {backup.name}: {fault}") from fault
        if not is_whole:
            raise BackupRefused(f"backup {backup.name}: {name} is not as it was written")
