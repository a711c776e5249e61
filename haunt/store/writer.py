"""The few writes that are not the night's journal, each a short transaction of its own."""

from sqlalchemy import Engine, insert

from haunt.store import tables
from haunt.store.refusal import StoreRefused
from haunt.store.writing import keep_setting, transaction


class Writer:
    """Thread-safe: every write has a connection of its own and waits its turn."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine

    def save_show(self, text: str, by: str, at_ms: int) -> int:
        """Keep a show file as the newest version; return its number. Raises StoreRefused."""
        wanted = insert(tables.shows).values(text=text, by=by, at_ms=at_ms)
        with transaction(self._engine, "the show could not be kept") as connection:
            version: int = connection.execute(wanted.returning(tables.shows.c.version)).scalar_one()
        return version

    def keep_if_possible(self, key: str, value: str) -> bool:
        """Keep a setting that a start can do without. False where the disk refuses it."""
        try:
            self.save_setting(key, value)
        except StoreRefused:
            return False
        return True

    def save_setting(self, key: str, value: str) -> None:
        """Raises StoreRefused."""
        with transaction(self._engine, f"the setting {key} could not be kept") as connection:
            keep_setting(connection, key, value)
