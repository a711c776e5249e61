"""Looks at what a night needs of this machine and of its data folder, and says what is not right.

It changes nothing and may run beside a server.
"""

import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from haunt.bootstrap.clock import now_ms
from haunt.bootstrap.keeping import backups
from haunt.bootstrap.mending import said_at
from haunt.bootstrap.refusal import StartRefused
from haunt.bootstrap.tls import SOON_DAYS, certificate_of
from haunt.config import Config
from haunt.core.calendar import HOUR_MS
from haunt.mqtt.kept import mosquitto, running_pid
from haunt.mqtt.listening import family_of
from haunt.store.backup import RESERVE_BYTES
from haunt.store.balance import balances
from haunt.store.engines import database_file, opened
from haunt.store.postgres import server_of
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from haunt.store.rescue import examine
from haunt.store.revision import HEAD, revision
from haunt.store.sqlitefile import connect, revision_of
from haunt.wire.showerrors import ShowFileRefused
from haunt.wire.showfile import read_show

PYTHON_MIN: Final = (3, 11)
MOSQUITTO_MIN: Final = (2, 0)
CHECK_S: Final = 60.0
EARLIEST: Final = datetime(2026, 1, 1, tzinfo=UTC)
"""Before this program was written no clock can be right."""
LATEST: Final = EARLIEST + timedelta(days=20 * 365)
AHEAD_S: Final = 3600
BACKUP_OLD_MS: Final = 26 * HOUR_MS


class Finding(NamedTuple):
    """One thing looked at; `said` names what is there, and what to do where it is not good."""

    what: str
    good: bool
    said: str


def examine_all(config: Config, now: datetime) -> list[Finding]:
    found = [
        _python(),
        _mosquitto(config),
        _port("pages", config.listen_host, config.listen_port, config.data),
        _port("broker", config.mqtt_host, config.mqtt_port, config.data),
        _folder(config.data),
        _disk(config.data),
        *_database(config, now),
        _certificate(config, now),
        _clock(now),
    ]
    return [each for each in found if each is not None]


def _python() -> Finding:
    version = ".".join(map(str, sys.version_info[:3]))
    if sys.version_info[:2] < PYTHON_MIN:
        return Finding("python", good=False, said=f"{version}; needed is 3.11 or newer")
    if not __debug__:
        return Finding("python", good=False, said="run without -O: the invariants must stay on")
    return Finding("python", good=True, said=version)


def _mosquitto(config: Config) -> Finding | None:
    if config.has_foreign_broker:
        return None  # somebody else keeps it
    binary = mosquitto()
    if binary is None:
        return Finding(
            "mosquitto",
            good=False,
            said="not installed; apt-get install mosquitto. Without it only the demo's broker "
            "runs, on this machine alone",
        )
    told = subprocess.run(  # noqa: S603 - found on the path, no shell
        [binary, "-h"], capture_output=True, text=True, check=False, timeout=10
    )
    match = re.search(r"version (\d+)\.(\d+)(?:\.\d+)?", told.stdout + told.stderr)
    if match is None:
        return Finding("mosquitto", good=False, said=f"{binary} does not tell its version")
    if (int(match[1]), int(match[2])) < MOSQUITTO_MIN:
        return Finding("mosquitto", good=False, said=f"{match[0]}; needed is 2.0 or newer")
    return Finding("mosquitto", good=True, said=f"{binary}, {match[0]}")


def _port(what: str, host: str, port: int, data: Path) -> Finding | None:
    if port == 0 or (what == "broker" and running_pid((data / "broker").resolve()) is not None):
        return None  # any port, or our own broker holds it
    name, is_served = f"port of the {what}", what == "pages" and _is_served(data)
    try:
        with socket.socket(family_of(host)) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
    except OSError as fault:
        if is_served:
            return Finding(name, good=True, said=f"{host}:{port}, a haunt runs on this folder")
        return Finding(name, good=False, said=f"{host}:{port}: {fault.strerror}; choose another")
    also = "; a haunt runs on this folder, by flags at another" if is_served else ""
    return Finding(name, good=True, said=f"{host}:{port} is free{also}")


def _is_served(data: Path) -> bool:
    import fcntl  # noqa: PLC0415

    try:
        lock = os.open(data / "lock", os.O_RDWR)
    except OSError:
        return False
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    else:
        return False
    finally:
        os.close(lock)


def _folder(data: Path) -> Finding:
    try:
        data.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=data) as probe:
            probe.write(b"x")
            probe.flush()
            os.fsync(probe.fileno())
    except OSError as fault:
        return Finding("data folder", good=False, said=f"{data}: {fault.strerror}")
    if data.stat().st_mode & 0o002:
        return Finding("data folder", good=False, said=f"everyone may write {data}: chmod o-w it")
    return Finding("data folder", good=True, said=str(data))


def _disk(data: Path) -> Finding:
    there = next(each for each in (data, *data.absolute().parents) if each.exists())
    free = shutil.disk_usage(there).free
    said = f"{free / 1024**3:.1f} GB free"
    if free < 2 * RESERVE_BYTES:
        return Finding("disk", good=False, said=f"{said}: too little for a night and its backups")
    return Finding("disk", good=True, said=said)


def _database(config: Config, now: datetime) -> Iterator[Finding]:
    try:
        path = database_file(config.data, config.database)
        if path is not None and not path.exists():
            yield Finding("database", good=True, said="none yet: the first start makes it")
            return
        if path is not None:
            found = examine(path, CHECK_S)
            yield Finding(
                "database",
                good=not found.trouble,
                said=f"damaged ({found.trouble}): the next start sets it aside"
                if found.trouble
                else f"{path.stat().st_size / 1024**2:.1f} MB, "
                + ("sound" if found.whole else f"sound as far as {CHECK_S:.0f} s went"),
            )
            if found.trouble:
                return
        else:
            yield _server(config)
        yield _schema(config)
        yield _show(config)
        yield _history(config, now)
        yield _counts(config)
        if path is not None:
            yield _backups(config)
    except (StoreRefused, OSError, sqlite3.Error) as fault:
        yield Finding("database", good=False, said=str(fault))


def _server(config: Config) -> Finding:
    with opened(config.data, config.database) as (_writing, reading):
        found = server_of(reading)
    said = f"PostgreSQL {found.version}, {found.size_bytes / 1024**2:.1f} MB"
    if not found.keeps:
        said += ": fsync or full_page_writes is off, a power cut may cost the night"
    return Finding("database", good=found.keeps, said=said)


def _schema(config: Config) -> Finding:
    path = database_file(config.data, config.database)
    if path is not None:
        with closing(connect(path, "ro")) as asked:
            found = revision_of(asked)
    else:
        with opened(config.data, config.database) as (_writing, reading):
            found = revision(reading)
    if found is None:
        return Finding("schema", good=False, said="this is not a database of haunt")
    if found > HEAD:
        return Finding("schema", good=False, said=f"{found}, of a newer program than this ({HEAD})")
    later = "" if found == HEAD else f"; the next start backs it up and brings it to {HEAD}"
    return Finding("schema", good=True, said=found + later)


def _show(config: Config) -> Finding:
    with opened(config.data, config.database) as (_writing, reading):
        stored = Reader(reading).show()
    if stored is None:
        return Finding("show", good=False, said="none yet: haunt import FILE")
    try:
        zone = read_show(stored[1], "show").show.info.time_zone
        local = datetime.now(ZoneInfo(zone))
    except ShowFileRefused as refused:
        return Finding("show", good=False, said=f"version {stored[0]}: {refused.faults[0]}")
    except ZoneInfoNotFoundError:
        return Finding("time zone", good=False, said=f"{zone} is not known here; install tzdata")
    return Finding("show", good=True, said=f"version {stored[0]}; in {zone} it is {local:%H:%M}")


def _history(config: Config, now: datetime) -> Finding:
    with opened(config.data, config.database) as (_writing, reading):
        last = Reader(reading).last_stamp()
    if last is None:
        return Finding("journal", good=True, said="nothing yet")
    said = f"{last.number} records, the last of {said_at(last.wall_ms)}"
    if last.wall_ms > (now.timestamp() + AHEAD_S) * 1000:
        return Finding("journal", good=False, said=f"{said}, ahead of this clock: is it right?")
    return Finding("journal", good=True, said=said)


def _counts(config: Config) -> Finding:
    """What boards counted and the journal has not: lost on the way, and no fault of this folder."""
    with opened(config.data, config.database) as (_writing, reading):
        found = balances(reading)
    counted, missing = sum(e.counted for e in found), sum(e.missing for e in found)
    said = f"boards counted {counted:,} motions, the journal has {counted - missing:,} of them"
    worst = max(found, key=lambda each: each.missing, default=None)
    if worst is not None and worst.missing:
        said += f"; most are missing of {worst.board}, {worst.missing:,}: look at its radio"
    return Finding("motions", good=True, said=said)


def _backups(config: Config) -> Finding:
    present = backups(config)
    if not present:
        return Finding("backups", good=True, said="none yet: a running server makes one an hour")
    last = present[0]
    said = f"{len(present)}, the newest of {said_at(last.at_ms)}"
    is_old = now_ms() - last.at_ms > BACKUP_OLD_MS
    return Finding("backups", good=True, said=said + (", of an earlier night" if is_old else ""))


def _certificate(config: Config, now: datetime) -> Finding | None:
    try:
        found = certificate_of(config)
    except StartRefused as refused:
        return Finding("certificate", good=False, said=str(refused))
    if found is None:
        return None  # plain http: serve says what that means
    said = f"for {', '.join(found.names)}, until {found.until:%Y-%m-%d}"
    if not found.since <= now <= found.until - timedelta(days=SOON_DAYS):
        said = f"{said}, from {found.since:%Y-%m-%d}: haunt certs --renew, or set the clock"
        return Finding("certificate", good=False, said=said)
    return Finding("certificate", good=True, said=said)


def _clock(now: datetime) -> Finding:
    said = f"{now:%Y-%m-%d %H:%M} UTC, local zone {'/'.join(time.tzname)}"
    if not EARLIEST <= now <= LATEST:
        return Finding("clock", good=False, said=f"{said}: set it, the calendar goes by it")
    return Finding("clock", good=True, said=said)
