"""Copies of a SQLite database while it is in use: taken whole, checked, named by time, thinned out.

It never writes to the database it copies, and takes none where that would fill the disk.
"""

import fcntl
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Final, Literal, NamedTuple, get_args
from urllib.parse import quote

DATABASE: Final = "haunt.db"
UNREADABLE: Final = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged file may raise: its bytes may be in SQLite's own words about it."""
MANIFEST: Final = "backup.json"
RESERVE_BYTES: Final = 200 * 1024 * 1024
"""What a copy must leave free: room for a long night's journal."""
TOTAL_BYTES_MAX: Final = 2 * 1024**3
STEP_PAGES: Final = 256  # a megabyte, then a pause in which the journal has the disk to itself
PAUSE_S: Final = 0.005
HOURS_KEPT, DAYS_KEPT, OTHERS_KEPT = 24, 14, 5

Why = Literal["scheduled", "hand", "upgrade", "restore"]
WHYS: Final[frozenset[str]] = frozenset(get_args(Why))


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
        with _alone(folder):
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
    final = _free_name(folder, at_ms, why)
    fresh = final.with_name(final.name + ".new")
    fresh.mkdir(mode=0o700)
    try:
        rows, revision = _copy(database, fresh / DATABASE)
        for each in also:
            if each.is_file():
                _copy_file(each, fresh / each.name)
        sums = {each.name: digest(each) for each in sorted(fresh.iterdir())}
        size = sum(each.stat().st_size for each in fresh.iterdir())
        made = Backup(final, at_ms, why, size, revision, rows, sums)
        write_new(fresh / MANIFEST, json.dumps({**made._asdict(), "path": final.name}, indent=1))
        fresh.rename(final)
        sync_folder(folder)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise
    return made


def _free_name(folder: Path, at_ms: int, why: Why) -> Path:
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    name = f"{at:%Y%m%dT%H%M%SZ}-{why}"
    found, number = folder / name, 1
    while found.exists():
        number += 1
        found = folder / f"{name}-{number}"
    return found


def _copy(database: Path, to: Path) -> tuple[dict[str, int], str | None]:
    """Return what both sides hold, counted in one and the same instant of the original."""
    os.close(os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(_connect(database)) as source, closing(_connect(to)) as copy:
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


def count_rows(connection: sqlite3.Connection) -> dict[str, int]:
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite\\_%' "
        "ESCAPE '\\' ORDER BY name"
    ).fetchall()
    return {
        name: connection.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]  # noqa: S608
        for (name,) in names
    }


def rows_of(database: Path) -> dict[str, int]:
    """Count what a database holds that may be in use. Raises BackupRefused."""
    try:
        with closing(_connect(database)) as found:
            found.execute("PRAGMA query_only=ON")
            return count_rows(found)
    except UNREADABLE as fault:
        raise BackupRefused(f"{database.name} cannot be read: {fault}") from fault


def owners_of(database: Path) -> tuple[str, ...]:
    """Name the owners in a database who have a password, so who can sign in by themselves."""
    try:
        with closing(_connect(database)) as found:
            found.execute("PRAGMA query_only=ON")
            names = found.execute(
                "SELECT name FROM people WHERE role = 'owner' AND password <> '' ORDER BY name"
            ).fetchall()
    except sqlite3.OperationalError:
        return ()  # of a time before there were people
    return tuple(str(name) for (name,) in names)


def revision_of(connection: sqlite3.Connection) -> str | None:
    try:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    except sqlite3.OperationalError:
        return None
    return str(row[0]) if row is not None else None


def _connect(path: Path) -> sqlite3.Connection:
    # Not "ro": a database closed in order has no shared memory, and a reader could not make it.
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode=rw", uri=True, timeout=5, isolation_level=None
    )


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


def digest(path: Path) -> str:
    total = sha256()
    with path.open("rb") as file:
        while chunk := file.read(1024 * 1024):
            total.update(chunk)
    return total.hexdigest()


# --- thinning out


def thin(folder: Path, keep: str = "", total_bytes_max: int = TOTAL_BYTES_MAX) -> list[str]:
    """Remove what need not be kept any more; return the names. `keep` stays whatever its time."""
    with _alone(folder):
        present = found_in(folder)
        wanted = {each.name for each in worth_keeping(present)} | {keep}
        left = [each for each in present if each.name in wanted]
        total = sum(each.size_bytes for each in left)
        while total > total_bytes_max and len(left) > 1:
            oldest = next(each for each in reversed(left) if each.name != keep)
            left.remove(oldest)
            total -= oldest.size_bytes
        gone = [each for each in present if each not in left]
        for each in gone:
            shutil.rmtree(each.path)
    return [each.name for each in gone]


def worth_keeping(backups: Sequence[Backup]) -> list[Backup]:
    """Of the scheduled the newest of each of 24 hours and 14 days that have any; of others five.

    Hours and days are those that there are, so that a winter without a night removes nothing.
    """
    newest_first = sorted(backups, key=lambda each: (each.at_ms, each.name), reverse=True)
    scheduled = [each for each in newest_first if each.why == "scheduled"]
    kept = {
        *_newest_of_each(scheduled, 3_600_000, HOURS_KEPT),
        *_newest_of_each(scheduled, 86_400_000, DAYS_KEPT),
    }
    for why in WHYS - {"scheduled"}:
        kept.update([each.name for each in newest_first if each.why == why][:OTHERS_KEPT])
    return [each for each in newest_first if each.name in kept]


def _newest_of_each(newest_first: Sequence[Backup], span_ms: int, count: int) -> list[str]:
    spans: dict[int, str] = {}
    for each in newest_first:
        spans.setdefault(each.at_ms // span_ms, each.name)
    return list(spans.values())[:count]


# --- files


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """A server and a command line may be at it at once."""
    lock = os.open(folder / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


def _copy_file(source: Path, to: Path) -> None:
    write_new(to, source.read_bytes())


def write_new(path: Path, content: str | bytes) -> None:
    raw = content.encode() if isinstance(content, str) else content
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
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
