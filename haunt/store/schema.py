"""Brings a database to this program's schema, and refuses one that is newer or not ours.

A database with nights in it is never changed before a backup of it is made.
"""

import time
from pathlib import Path
from typing import Final

from sqlalchemy import Engine
from sqlalchemy.exc import DatabaseError

from haunt.store.backup import BackupRefused, take
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, bring_to, revision
from haunt.store.transfer import export

HERE: Final = "haunt-backups"


def upgrade(engine: Engine, backups: Path | None = None) -> None:
    """All or nothing, and nothing where nothing is to be done. Raises StoreRefused.

    `backups` is where a copy of a server's database goes before; one that is a file has it beside.
    """
    try:
        found = revision(engine)
        if found is not None:
            _refuse_unknown(found)
        if found is not None and found != HEAD:
            _back_up(engine, found, backups)
        if found != HEAD:
            with engine.begin() as connection:
                bring_to(connection, HEAD)
    except DatabaseError as fault:
        raise StoreRefused(f"the database cannot be used: {fault.orig}") from fault


def _refuse_unknown(found: str) -> None:
    """There is no way back: what a newer program made of it, this one cannot read."""
    if found.isdecimal() and found > HEAD:
        raise StoreRefused(
            f"the database is of a newer version ({found}) than this program ({HEAD}): "
            "use the newer program, or restore a backup made before"
        )
    if found not in {f"{each:04}" for each in range(1, int(HEAD) + 1)}:
        raise StoreRefused(
            f"the database says that it is of version {found!r}, which no program of ours made; "
            "nothing was changed. Restore a backup"
        )


def _back_up(engine: Engine, found: str, backups: Path | None) -> None:
    now_ms = time.time_ns() // 1_000_000
    try:
        if engine.dialect.name == "sqlite":
            database = Path(str(engine.url.database)).absolute()
            take(database, database.parent / "backups", now_ms, "upgrade")
        else:
            export(engine, backups or Path(HERE), now_ms, "upgrade")
    except BackupRefused as refused:
        raise StoreRefused(
            f"the database is of version {found} and was not brought to {HEAD}, for no backup "
            f"could be made before: {refused}"
        ) from refused
