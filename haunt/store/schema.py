"""Brings a database to this program's schema, and refuses one that is newer or not ours.

A database with nights in it is never changed before a backup of it is made.
"""

import time
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text
from sqlalchemy.exc import DatabaseError

from haunt.store.backup import BackupRefused, take
from haunt.store.postgres import refuse_unfit, without_hurry
from haunt.store.refusal import StoreRefused

HEAD: Final = "0009"
"""The newest revision; a test holds it against the scripts. Knowing it saves a slow import."""

SCRIPTS: Final = Path(__file__).parent / "migrations"
HERE: Final = "haunt-backups"
ONE_AT_A_TIME: Final = 4_842_755_401
"""The advisory lock of PostgreSQL under which a schema is changed: any number that is ours."""


def upgrade(engine: Engine, backups: Path | None = None) -> None:
    """All or nothing, and nothing where nothing is to be done. Raises StoreRefused.

    `backups` is where a copy of a server's database goes before; one that is a file has it beside.
    """
    try:
        found = revision(engine)
        if found is not None and found > HEAD:
            raise StoreRefused(
                f"the database is of a newer version ({found}) than this program ({HEAD}): "
                "use the newer program, or restore a backup made before"
            )
        if found is not None and found != HEAD:
            _back_up(engine, found, backups)
        if found != HEAD:
            with engine.begin() as connection:
                bring_to(connection, HEAD)
    except DatabaseError as fault:
        raise StoreRefused(f"the database cannot be used: {fault.orig}") from fault


def revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            refuse_unfit(connection)
        return revision_in(connection)


def revision_in(connection: Connection) -> str | None:
    if not inspect(connection).has_table("alembic_version"):
        return None
    found: str | None = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return found


def bring_to(connection: Connection, wanted: str) -> None:
    """Run the scripts up to a revision within the caller's transaction."""
    from alembic import command  # noqa: PLC0415 - a fifth of a second, mostly for nothing
    from alembic.config import Config  # noqa: PLC0415

    without_hurry(connection)
    if connection.dialect.name == "postgresql":
        # Of two servers that start at once the second finds it done.
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": ONE_AT_A_TIME})
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, wanted)


def _back_up(engine: Engine, found: str, backups: Path | None) -> None:
    from haunt.store.transfer import export  # noqa: PLC0415 - it needs this module

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
