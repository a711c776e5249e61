"""Which revision of our schema a database is of, and the scripts that lead from one to the next."""

from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, inspect, text

from haunt.store.postgres import refuse_unfit, without_hurry

HEAD: Final = "0010"
"""The newest revision; a test holds it against the scripts. Knowing it saves a slow import."""

SCRIPTS: Final = Path(__file__).parent / "migrations"
ONE_AT_A_TIME: Final = 4_842_755_401
"""The advisory lock of PostgreSQL under which a schema is changed: any number that is ours."""


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
