"""Brings a database to this program's schema, and refuses one that is newer."""

from pathlib import Path

from sqlalchemy import Engine, inspect, text
from sqlalchemy.exc import DatabaseError

from haunt.store.engines import StoreRefused

HEAD = "0001"
"""The newest revision; a test holds it against the scripts. Knowing it saves a slow import."""

SCRIPTS = Path(__file__).parent / "migrations"


def upgrade(engine: Engine) -> None:
    """Do nothing where nothing is to be done. StoreRefused: newer, or none of ours."""
    try:
        _upgrade(engine)
    except DatabaseError as fault:
        raise StoreRefused(f"the database cannot be used: {fault.orig}") from fault


def _upgrade(engine: Engine) -> None:
    found = revision(engine)
    if found == HEAD:
        return
    if found is not None and found > HEAD:
        raise StoreRefused(
            f"the database is of a newer version ({found}) than this program ({HEAD}): "
            "use the newer program, or restore a backup made before"
        )
    _run(engine)


def revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        if not inspect(connection).has_table("alembic_version"):
            return None
        found: str | None = connection.execute(
            text("SELECT version_num FROM alembic_version")
        ).scalar()
        return found


def _run(engine: Engine) -> None:
    from alembic import command  # noqa: PLC0415 - a fifth of a second, mostly for nothing
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
