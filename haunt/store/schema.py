"""Brings a database to this program's schema, and refuses one that is newer or not ours.

A file with nights in it is never changed before a backup of it is made.
"""

import time
from pathlib import Path
from typing import Final

from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import DatabaseError

from haunt.store.backup import BackupRefused, take
from haunt.store.engines import StoreRefused

HEAD: Final = "0007"
"""The newest revision; a test holds it against the scripts. Knowing it saves a slow import."""

SCRIPTS: Final = Path(__file__).parent / "migrations"


def upgrade(engine: Engine) -> None:
    """All or nothing, and nothing where nothing is to be done. Raises StoreRefused."""
    try:
        found = revision(engine)
        if found is not None and found > HEAD:
            raise StoreRefused(
                f"the database is of a newer version ({found}) than this program ({HEAD}): "
                "use the newer program, or restore a backup made before"
            )
        if found is not None and found != HEAD:
            _back_up(engine, found)
        if found != HEAD:
            _run(engine)
    except DatabaseError as fault:
        raise StoreRefused(f"the database cannot be used: {fault.orig}") from fault


def revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        found: str | None = connection.execute(
            text("SELECT version_num FROM alembic_version")
        ).scalar()
        return found


def _back_up(engine: Engine, found: str) -> None:
    if engine.dialect.name != "sqlite":
        return  # PostgreSQL undoes a failed upgrade by itself, and has its own pg_dump
    database = Path(str(engine.url.database)).absolute()
    try:
        take(database, database.parent / "backups", time.time_ns() // 1_000_000, "upgrade")
    except BackupRefused as refused:
        raise StoreRefused(
            f"the database is of version {found} and was not brought to {HEAD}, for no backup "
            f"could be made before: {refused}"
        ) from refused


def _run(engine: Engine) -> None:
    from alembic import command  # noqa: PLC0415 - a fifth of a second, mostly for nothing
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
