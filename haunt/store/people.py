"""Keeps people, sessions, links and tokens: every change one short transaction, all or nothing.

The last owner can neither leave nor become less; a link works as often as it says and no oftener.
"""

import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from typing import Any, Final, TypeVar

from sqlalchemy import Connection, Engine, Table, delete, func, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import DatabaseError, IntegrityError

from haunt.store import lists, tables
from haunt.store.engines import StoreRefused
from haunt.store.lists import Asked, Page
from haunt.store.roster import (
    EMPTY,
    Deed,
    Link,
    LinkSpent,
    Newcomer,
    Opening,
    PeopleRefused,
    Person,
    Roster,
    Session,
    Token,
    key_of,
)
from haunt.store.writing import transaction

OWNER: Final = "owner"
SESSIONS_MAX: Final = 20
"""Open sessions a person; the one unused for longest ends first."""
VERSION: Final = "people"
ONE_AT_A_TIME: Final = 4_842_755_402
"""The advisory lock of PostgreSQL under which people are changed: any number that is ours."""

Row = TypeVar("Row", Person, Session, Link, Token)


class PeopleStore:
    """Thread-safe. Every method raises StoreRefused where the database does not take it."""

    def __init__(self, writing: Engine, reading: Engine) -> None:
        self._writing, self._reading = writing, reading

    # --- reads

    def version(self) -> str:
        with self._read() as connection:
            return _version(connection)

    def roster(self) -> Roster:
        with self._read() as connection:
            version = _version(connection)
            # Read before the rows: a change in between is seen again at the next look.
            return Roster(
                version,
                _all(connection, tables.people, Person),
                _all(connection, tables.sessions, Session),
                _all(connection, tables.links, Link),
                _all(connection, tables.tokens, Token),
            )

    def logbook(self, **asked: Any) -> Page:
        wanted: Asked = asked  # type: ignore[assignment]
        return lists.page_of(self._reading, tables.logbook, lists.plain, wanted)

    # --- people

    def add_person(self, name: str, role: str, password: str, at_ms: int) -> int:
        with self._change() as connection:
            return _add_person(connection, Newcomer(name, password), role, at_ms)

    def set_role(self, person: int, role: str) -> None:
        with self._change() as connection:
            _only(connection, person)
            if role != OWNER:
                _keep_an_owner(connection, person)
            _set(connection, person, role=role)

    def set_password(self, person: int, password: str) -> None:
        with self._change() as connection:
            _only(connection, person)
            _set(connection, person, password=password)

    def remove_person(self, person: int) -> None:
        """With all sessions and sign-in links."""
        with self._change() as connection:
            _only(connection, person)
            _keep_an_owner(connection, person)
            for table in (tables.sessions, tables.links):
                connection.execute(delete(table).where(table.c.person == person))
            connection.execute(delete(tables.people).where(tables.people.c.id == person))

    # --- sessions

    def open_session(self, person: int, opening: Opening, instead_of: str = "") -> None:
        """`instead_of` is the hash of the session that this device had before, which ends."""
        with self._change() as connection:
            _only(connection, person)
            _open_session(connection, person, opening, instead_of)

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
            _touch_people(connection, sessions)

    # --- links

    def add_link(self, link: Link) -> None:
        """Its `id` is not looked at."""
        with self._change() as connection:
            if link.person is not None:
                _only(connection, link.person)
            connection.execute(insert(tables.links).values(**_without_id(link)))

    def set_up_link(self, link: Link, *, if_ownerless: bool) -> bool:
        """Keep it as the only set-up link; with `if_ownerless` only while there is no owner."""
        with self._change() as connection:
            if if_ownerless and _owners(connection):
                return False
            _end_set_up_links(connection)
            connection.execute(insert(tables.links).values(**_without_id(link)))
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
            link = _take_use(connection, link_hash, opening.at_ms)
            if link.kind == "sign-in":
                person = link.person or 0
            elif newcomer is None:
                raise PeopleRefused("A name is wanted.")
            elif link.kind == "set-up":
                person = _set_up(connection, newcomer, opening.at_ms)
            else:
                person = _add_person(connection, newcomer, link.role, opening.at_ms)
            found = _only(connection, person)
            _open_session(connection, person, opening, instead_of)
            return found

    # --- tokens and the logbook

    def add_token(self, token: Token) -> None:
        """Its `id` is not looked at."""
        with self._change() as connection:
            connection.execute(insert(tables.tokens).values(**_without_id(token)))

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
            _bump(connection)


def _all(connection: Connection, table: Table, kind: type[Row]) -> tuple[Row, ...]:
    columns = [table.c[name] for name in kind._fields]
    return tuple(kind(*row) for row in connection.execute(select(*columns).order_by(table.c.id)))


def _version(connection: Connection) -> str:
    table = tables.settings
    found: str | None = connection.execute(
        select(table.c.value).where(table.c.key == VERSION)
    ).scalar()
    return found or EMPTY.version


def _bump(connection: Connection) -> None:
    special = sqlite.insert if connection.dialect.name == "sqlite" else postgresql.insert
    value = secrets.token_hex(8)
    wanted = special(tables.settings).values(key=VERSION, value=value)
    connection.execute(wanted.on_conflict_do_update(index_elements=["key"], set_={"value": value}))


def _only(connection: Connection, person: int) -> Person:
    columns = [tables.people.c[name] for name in Person._fields]
    row = connection.execute(select(*columns).where(tables.people.c.id == person)).first()
    if row is None:
        raise PeopleRefused("There is no such person.", "person")
    return Person(*row)


def _set(connection: Connection, person: int, **values: str) -> None:
    connection.execute(update(tables.people).where(tables.people.c.id == person).values(**values))


def _owners(connection: Connection) -> list[int]:
    table = tables.people
    query = select(table.c.id).where(table.c.role == OWNER)
    return list(connection.execute(query).scalars())


def _keep_an_owner(connection: Connection, person: int) -> None:
    if _owners(connection) == [person]:
        raise PeopleRefused("The last owner stays owner: make somebody else owner first.", "role")


def _add_person(connection: Connection, newcomer: Newcomer, role: str, at_ms: int) -> int:
    name, password = newcomer
    wanted = insert(tables.people).values(
        name=name, name_key=key_of(name), role=role, password=password, since_ms=at_ms
    )
    try:
        person: int = connection.execute(wanted.returning(tables.people.c.id)).scalar_one()
    except IntegrityError as fault:
        raise PeopleRefused(f"Somebody is called {name} already: choose another name.") from fault
    if role == OWNER:
        _end_set_up_links(connection)
    return person


def _set_up(connection: Connection, newcomer: Newcomer, at_ms: int) -> int:
    table = tables.people
    known: int | None = connection.execute(
        select(table.c.id).where(table.c.name_key == key_of(newcomer.name))
    ).scalar()
    if known is None:
        return _add_person(connection, newcomer, OWNER, at_ms)
    _set(connection, known, role=OWNER, password=newcomer.password)
    connection.execute(delete(tables.sessions).where(tables.sessions.c.person == known))
    _end_set_up_links(connection)
    return known


def _end_set_up_links(connection: Connection) -> None:
    connection.execute(delete(tables.links).where(tables.links.c.kind == "set-up"))


def _take_use(connection: Connection, link_hash: str, at_ms: int) -> Link:
    """One statement decides who was first: a second one finds nothing left."""
    table = tables.links
    taken = connection.execute(
        update(table)
        .where(table.c.hash == link_hash, table.c.uses_left > 0, table.c.ends_ms > at_ms)
        .values(uses_left=table.c.uses_left - 1)
        .returning(table)
    ).first()
    if taken is None:
        raise LinkSpent
    link = Link(*taken)
    if link.uses_left == 0:
        connection.execute(delete(table).where(table.c.id == link.id))
    return link


def _open_session(connection: Connection, person: int, opening: Opening, instead_of: str) -> None:
    table = tables.sessions
    if instead_of:
        connection.execute(delete(table).where(table.c.hash == instead_of))
    kept = (
        select(table.c.id)
        .where(table.c.person == person)
        .order_by(table.c.seen_ms.desc(), table.c.id.desc())
        .limit(SESSIONS_MAX - 1)
    )
    connection.execute(delete(table).where(table.c.person == person, table.c.id.not_in(kept)))
    connection.execute(
        insert(table).values(
            hash=opening.hash,
            person=person,
            since_ms=opening.at_ms,
            seen_ms=opening.at_ms,
            address=opening.address,
            device=opening.device,
        )
    )


def _touch_people(connection: Connection, sessions: Mapping[int, int]) -> None:
    if not sessions:
        return
    people, table = tables.people, tables.sessions
    newest = (
        select(func.max(table.c.seen_ms)).where(table.c.person == people.c.id).scalar_subquery()
    )
    seen = select(table.c.person).where(table.c.id.in_(sessions))
    connection.execute(update(people).where(people.c.id.in_(seen)).values(seen_ms=newest))


def _without_id(row: Link | Token) -> dict[str, object]:
    found: dict[str, object] = row._asdict()
    del found["id"]
    return found
