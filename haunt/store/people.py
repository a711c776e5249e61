"""Keeps people, sessions, links and tokens: every change one short transaction, all or nothing.

The last owner can neither leave nor become less; a link works as often as it says and no oftener.
"""

import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Any, Final

from sqlalchemy import Connection, Engine, delete, func, insert, select, update
from sqlalchemy.exc import DatabaseError

from haunt.store import lists, tables
from haunt.store import peoplerows as rows
from haunt.store.lists import Asked, Page
from haunt.store.refusal import StoreRefused
from haunt.store.roster import (
    Deed,
    Link,
    Newcomer,
    Opening,
    PeopleRefused,
    Person,
    Roster,
    Session,
    Token,
)
from haunt.store.writing import keep_setting, transaction

ONE_AT_A_TIME: Final = 4_842_755_402
"""The advisory lock of PostgreSQL under which people are changed: any number that is ours."""


class PeopleStore:
    """Thread-safe. Every method raises StoreRefused where the database does not take it."""

    def __init__(self, writing: Engine, reading: Engine) -> None:
        self._writing, self._reading = writing, reading

    # --- reads

    def version(self) -> str:
        with self._read() as connection:
            return rows.version_in(connection)

    def roster(self) -> Roster:
        with self._read() as connection:
            version = rows.version_in(connection)
            # Read before the rows: a change in between is seen again at the next look.
            return Roster(
                version,
                rows.all_of(connection, tables.people, Person),
                rows.all_of(connection, tables.sessions, Session),
                rows.all_of(connection, tables.links, Link),
                rows.all_of(connection, tables.tokens, Token),
            )

    def logbook(self, **asked: Any) -> Page:
        wanted: Asked = asked  # type: ignore[assignment]
        return lists.page_of(self._reading, tables.logbook, lists.plain, wanted)

    # --- people

    def add_person(self, name: str, role: str, password: str, at_ms: int) -> int:
        with self._change() as connection:
            return rows.add_person(connection, Newcomer(name, password), role, at_ms)

    def set_role(self, person: int, role: str) -> None:
        with self._change() as connection:
            rows.the_one(connection, person)
            if role != rows.OWNER:
                rows.keep_an_owner(connection, person)
            rows.change(connection, person, role=role)

    def set_password(self, person: int, password: str) -> None:
        with self._change() as connection:
            rows.the_one(connection, person)
            rows.change(connection, person, password=password)

    def remove_person(self, person: int) -> None:
        """With all sessions and sign-in links."""
        with self._change() as connection:
            rows.the_one(connection, person)
            rows.keep_an_owner(connection, person)
            for table in (tables.sessions, tables.links):
                connection.execute(delete(table).where(table.c.person == person))
            connection.execute(delete(tables.people).where(tables.people.c.id == person))

    # --- sessions

    def open_session(self, person: int, opening: Opening, instead_of: str = "") -> None:
        """`instead_of` is the hash of the session that this device had before, which ends."""
        with self._change() as connection:
            rows.the_one(connection, person)
            rows.open_session(connection, person, opening, instead_of)

    def end_session(self, session: int, person: int | None = None) -> None:
        """Of that person only, where one is named."""
        table = tables.sessions
        with self._change() as connection:
            wanted = delete(table).where(table.c.id == session)
            if person is not None:
                wanted = wanted.where(table.c.person == person)
            connection.execute(wanted)

    def end_sessions(self, person: int, but: int | None = None) -> None:
        table = tables.sessions
        with self._change() as connection:
            connection.execute(
                delete(table).where(table.c.person == person, table.c.id != (but or 0))
            )

    def forget_sessions(self, ids: Sequence[int]) -> None:
        """These have ended by time."""
        if not ids:
            return
        with self._change() as connection:
            connection.execute(delete(tables.sessions).where(tables.sessions.c.id.in_(ids)))

    def touch(self, sessions: Mapping[int, int], tokens: Mapping[int, int]) -> None:
        """Keep when they were last seen (id to UTC ms). No change that others must hear of."""
        with self._transaction() as connection:
            for table, seen in ((tables.sessions, sessions), (tables.tokens, tokens)):
                for each, at_ms in seen.items():
                    connection.execute(
                        update(table).where(table.c.id == each).values(seen_ms=at_ms)
                    )
            rows.touch_people(connection, sessions)

    # --- links

    def add_link(self, link: Link) -> None:
        """Its `id` is not looked at."""
        with self._change() as connection:
            if link.person is not None:
                rows.the_one(connection, link.person)
            connection.execute(insert(tables.links).values(**rows.without_id(link)))

    def set_up_link(self, link: Link, *, if_ownerless: bool) -> bool:
        """Keep it as the only set-up link; with `if_ownerless` only while there is no owner."""
        with self._change() as connection:
            if if_ownerless and rows.owners(connection):
                return False
            rows.end_set_up_links(connection)
            connection.execute(insert(tables.links).values(**rows.without_id(link)))
            return True

    def end_link(self, link: int) -> None:
        with self._change() as connection:
            connection.execute(delete(tables.links).where(tables.links.c.id == link))

    def use_link(
        self, link_hash: str, newcomer: Newcomer | None, opening: Opening, instead_of: str = ""
    ) -> Person:
        """Take one use of a link and open a session by it. Raises LinkSpent, PeopleRefused.

        A set-up link with the name of somebody known makes that one the owner anew.
        """
        with self._change() as connection:
            link = rows.take_use(connection, link_hash, opening.at_ms)
            if link.kind == "sign-in":
                person = link.person or 0
            elif newcomer is None:
                raise PeopleRefused("A name is wanted.")
            elif link.kind == "set-up":
                person = rows.set_up(connection, newcomer, opening.at_ms)
            else:
                person = rows.add_person(connection, newcomer, link.role, opening.at_ms)
            found = rows.the_one(connection, person)
            rows.open_session(connection, person, opening, instead_of)
            return found

    # --- tokens and the logbook

    def add_token(self, token: Token) -> None:
        """Its `id` is not looked at."""
        with self._change() as connection:
            connection.execute(insert(tables.tokens).values(**rows.without_id(token)))

    def end_token(self, token: int) -> None:
        with self._change() as connection:
            done = connection.execute(delete(tables.tokens).where(tables.tokens.c.id == token))
            if not done.rowcount:
                raise PeopleRefused("There is no such token.", "token")

    def write_deeds(self, deeds: Sequence[Deed]) -> None:
        with self._transaction() as connection:
            connection.execute(insert(tables.logbook), [each._asdict() for each in deeds])

    # --- ways in

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        try:
            with self._reading.connect() as connection:
                yield connection
        except DatabaseError as fault:
            raise StoreRefused(f"people cannot be read: {fault.orig}") from fault

    def _transaction(self) -> AbstractContextManager[Connection]:
        return transaction(self._writing, "people could not be kept")

    @contextmanager
    def _change(self) -> Iterator[Connection]:
        """A transaction that the server, or another one, notices."""
        with self._transaction() as connection:
            if connection.dialect.name == "postgresql":
                # One after the other, as SQLite's writers are: who is the last owner, who set up.
                connection.execute(select(func.pg_advisory_xact_lock(ONE_AT_A_TIME)))
            yield connection
            keep_setting(connection, rows.VERSION, secrets.token_hex(8))
