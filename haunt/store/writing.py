"""One short transaction of a person's doing; what the database refuses is said in words."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DatabaseError

from haunt.store.refusal import StoreRefused


@contextmanager
def transaction(engine: Engine, refused: str) -> Iterator[Connection]:
    """All of the block or nothing. Raises StoreRefused, which begins with `refused`."""
    try:
        with engine.begin() as connection:
            yield connection
    except DatabaseError as fault:
        raise StoreRefused(f"{refused}: {fault.orig}") from fault
