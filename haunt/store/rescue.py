"""A database that cannot be used is set aside and another takes its place; nothing is thrown away.

For a server that has the data folder to itself and has not opened the database yet.
"""

import json
import shutil
import sqlite3
import struct
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Final, NamedTuple

from haunt.store.files import next_free, sync_folder
from haunt.store.instants import stamp
from haunt.store.sqlitefile import UNREADABLE, connect

SET_ASIDE: Final = "set-aside"
SET_ASIDE_KEPT: Final = 5
SWAP: Final = "swap.json"
BESIDE: Final = ("", "-wal", "-shm")
CHECK_S: Final = 2.0
"""How long a start may look for damage; a bigger database is looked through with its backups."""
_PROGRESS_STEPS: Final = 10_000


class Examined(NamedTuple):
    """`trouble` is empty where none was found; `whole` says that all of it was looked at."""

    trouble: str
    whole: bool


def examine(database: Path, limit_s: float = CHECK_S) -> Examined:
    """Look for damage as SQLite sees it, the log included; nothing is written."""
    until = time.monotonic() + limit_s
    try:
        with closing(connect(database, "ro")) as connection:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            connection.set_progress_handler(lambda: time.monotonic() > until, _PROGRESS_STEPS)
            # The second holds the indexes against the rows, which takes ten times as long.
            for look in ("quick_check", "integrity_check"):
                said = [row[0] for row in connection.execute(f"PRAGMA {look}(3)")]
                if said != ["ok"]:
                    return Examined("; ".join(said), whole=True)
    except UnicodeDecodeError:  # damaged bytes in SQLite's own words about it
        return Examined("its own list of tables is damaged", whole=True)
    except sqlite3.DatabaseError as fault:
        if str(fault) == "interrupted":
            return Examined("", whole=False)
        return Examined(str(fault), whole=True)
    return Examined("", whole=True)


def settle(database: Path) -> None:
    """Bring the log into the file, so that it may be moved alone."""
    with closing(connect(database)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")


def end_sessions(database: Path) -> None:
    """Who was signed in at the time of a backup may have been shown the door since."""
    with closing(connect(database)) as connection, suppress(sqlite3.OperationalError):
        connection.execute("DELETE FROM sessions")  # a database of an older program has none


# --- the write-ahead log

_HEAD, _FRAME_HEAD = struct.Struct(">IIII8s8s"), struct.Struct(">II8s8s")
_MAGIC_LITTLE, _MAGIC_BIG = 0x377F0682, 0x377F0683


def log_damage(database: Path) -> str:
    """Say how many commits in the log are beyond reach, which SQLite passes over in silence.

    A log ends where a checksum is wrong. A last transaction cut off is what a crash leaves and
    was confirmed to nobody; more than that behind the end is damage.
    """
    try:
        raw = database.with_name(database.name + "-wal").read_bytes()
    except FileNotFoundError:
        return ""
    if len(raw) <= _HEAD.size:
        return ""
    order = _order_of(raw)
    if order is None:
        return "the head of the log is damaged, so none of its commits can be read"
    _magic, _version, page_bytes, _count, salts, _sum = _HEAD.unpack_from(raw)
    beyond = _commits_beyond(raw, order, page_bytes, salts)
    return f"{beyond} commits at the end of the log cannot be read" if beyond > 1 else ""


def _order_of(raw: bytes) -> str | None:
    """Return the byte order of the checksums; None where the head is not sound."""
    magic, _version, page_bytes, _count, _salts, _sum = _HEAD.unpack_from(raw)
    order = {_MAGIC_LITTLE: "<", _MAGIC_BIG: ">"}.get(magic)
    if order is None or not 512 <= page_bytes <= 65_536:
        return None
    sums = _summed((0, 0), raw[:24], order)
    return order if struct.pack(">II", *sums) == raw[24:32] else None


def _commits_beyond(raw: bytes, order: str, page_bytes: int, salts: bytes) -> int:
    """Count commits of this log behind the first frame that is not as it was written."""
    sums = struct.unpack(">II", raw[24:32])
    is_sound, beyond = True, 0
    size = _FRAME_HEAD.size + page_bytes
    for start in range(_HEAD.size, len(raw) - size + 1, size):
        _page, commit, frame_salts, told = _FRAME_HEAD.unpack_from(raw, start)
        if is_sound:
            body = raw[start + _FRAME_HEAD.size : start + size]
            sums = _summed(_summed(sums, raw[start : start + 8], order), body, order)
            is_sound = frame_salts == salts and struct.pack(">II", *sums) == told
        if not is_sound and frame_salts == salts and commit:
            beyond += 1
    return beyond


def _summed(sums: tuple[int, int], data: bytes, order: str) -> tuple[int, int]:
    """SQLite's own sum, from its file format's description (section 4.2)."""
    first, second = sums
    for one, two in struct.iter_unpack(f"{order}II", data):
        first = (first + one + second) & 0xFFFFFFFF
        second = (second + two + first) & 0xFFFFFFFF
    return first, second


# --- set aside, put in place


def set_aside(data: Path, database: Path, at_ms: int) -> Path:
    """Copy the files as they are into a folder of their own, and return it."""
    folder = new_aside(data, at_ms)
    for each in _files(database):
        shutil.copy2(each, folder / each.name)
    return folder


def swap(data: Path, database: Path, fresh: Path, aside: Path) -> None:
    """Move what is there aside and the fresh file in its place.

    A log that belongs to another database would spoil the fresh one, so the three files go
    together; cut short, the next start carries it through.
    """
    plan = {"database": str(database), "fresh": str(fresh), "aside": str(aside)}
    marker = data / SWAP
    unfinished = marker.with_suffix(".new")
    unfinished.write_text(json.dumps(plan))
    unfinished.replace(marker)
    sync_folder(data)
    finish_swap(data)


def finish_swap(data: Path) -> bool:
    """Carry through a swap that was begun; True where there was one."""
    marker = data / SWAP
    marker.with_suffix(".new").unlink(missing_ok=True)
    try:
        plan = {name: Path(each) for name, each in json.loads(marker.read_text()).items()}
        database, fresh, aside = plan["database"], plan["fresh"], plan["aside"]
    except FileNotFoundError:
        return False
    if fresh.exists():  # else the last step but one was done already
        for each in _files(database):
            shutil.move(each, aside / each.name)
        fresh.replace(database)
        sync_folder(database.parent)
    marker.unlink()
    return True


def _files(database: Path) -> Iterator[Path]:
    for suffix in BESIDE:
        each = database.with_name(database.name + suffix)
        if each.exists():
            yield each


def new_aside(data: Path, at_ms: int) -> Path:
    root = data / SET_ASIDE
    root.mkdir(mode=0o700, exist_ok=True)
    for old in sorted(root.iterdir(), reverse=True)[SET_ASIDE_KEPT - 1 :]:
        shutil.rmtree(old)
    folder = next_free(root / stamp(at_ms))
    folder.mkdir(mode=0o700)
    return folder


# --- what can still be read


class Salvaged(NamedTuple):
    """Show files newest first, as (version, text), and settings, out of a damaged database."""

    shows: list[tuple[int, str]]
    settings: dict[str, str]


def salvage(damaged: Path) -> Salvaged:
    """Read what can be read of the two tables that nothing else can give back."""
    shows: dict[int, str] = {}
    settings: dict[str, str] = {}
    with suppress(*UNREADABLE), closing(connect(damaged, "ro")) as connection:
        connection.text_factory = lambda raw: raw.decode("utf-8", "strict")
        for direction in ("DESC", "ASC"):  # from both ends, each as far as the damage
            for version, text in _rows(
                connection,
                f"SELECT version, text FROM shows ORDER BY version {direction}",  # noqa: S608
            ):
                if isinstance(version, int) and isinstance(text, str):
                    shows.setdefault(version, text)
            for key, value in _rows(
                connection,
                f"SELECT key, value FROM settings ORDER BY key {direction}",  # noqa: S608
            ):
                if isinstance(key, str) and isinstance(value, str):
                    settings.setdefault(key, value)
    return Salvaged(sorted(shows.items(), reverse=True), settings)


def _rows(connection: sqlite3.Connection, query: str) -> Iterator[tuple[object, object]]:
    try:
        for row in connection.execute(query):
            yield row[0], row[1]
    except UNREADABLE:
        return


def drop_newest_snapshot(database: Path) -> bool:
    """Forget it, so that a start goes back to the one before; False where there is none."""
    with closing(connect(database)) as connection:
        done = connection.execute(
            "DELETE FROM snapshots WHERE number = (SELECT max(number) FROM snapshots)"
        )
        return done.rowcount > 0


def drop_unreadable_events(
    database: Path, is_readable: Callable[[str, int, int, str], bool]
) -> Sequence[int]:
    """Remove events after the newest snapshot that cannot be read; return their numbers."""
    with closing(connect(database)) as connection:
        connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
        rows = connection.execute(
            "SELECT number, kind, mono_ms, wall_ms, body FROM events WHERE number > "
            "coalesce((SELECT max(number) FROM snapshots), -1) ORDER BY number"
        ).fetchall()
        bad = [row[0] for row in rows if not is_readable(row[1], row[2], row[3], row[4])]
        connection.executemany("DELETE FROM events WHERE number = ?", [(each,) for each in bad])
    return bad
