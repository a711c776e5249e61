"""Rows of people, sessions, links and tokens: each a step within a transaction of `people.py`."""

from collections.abc import Mapping
from typing import Final, TypeVar

from sqlalchemy import Connection, Table, delete, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from haunt.store import tables
from haunt.store.roster import (
    EMPTY,
    Link,
    LinkSpent,
    Newcomer,
    Opening,
    PeopleRefused,
    Person,
    Session,
    Token,
    key_of,
)

OWNER: Final = "owner"
SESSIONS_MAX: Final = 20
"""Open sessions a person; the one unused for longest ends first."""
VERSION: Final = "people"
"""The setting that differs after every change."""

Row = TypeVar("Row", Person, Session, Link, Token)


def all_of(connection: Connection, table: Table, kind: type[Row]) -> tuple[Row, ...]:
    columns = [table.c[name] for name in kind._fields]
    return tuple(kind(*row) for row in connection.execute(select(*columns).order_by(table.c.id)))


def version_in(connection: Connection) -> str:
    table = tables.settings
    found: str | None = connection.execute(
        select(table.c.value).where(table.c.key == VERSION)
    ).scalar()
    return found or EMPTY.version


def the_one(connection: Connection, person: int) -> Person:
    columns = [tables.people.c[name] for name in Person._fields]
    row = connection.execute(select(*columns).where(tables.people.c.id == person)).first()
    if row is None:
        raise PeopleRefused("There is no such person.", "person")
    return Person(*row)


def change(connection: Connection, person: int, **values: str) -> None:
    connection.execute(update(tables.people).where(tables.people.c.id == person).values(**values))


def owners(connection: Connection) -> list[int]:
    table = tables.people
    query = select(table.c.id).where(table.c.role == OWNER)
    return list(connection.execute(query).scalars())


def keep_an_owner(connection: Connection, person: int) -> None:
    if owners(connection) == [person]:
        raise PeopleRefused("The last owner stays owner: make somebody else owner first.", "role")


def add_person(connection: Connection, newcomer: Newcomer, role: str, at_ms: int) -> int:
    name, password = newcomer
    wanted = insert(tables.people).values(
        name=name, name_key=key_of(name), role=role, password=password, since_ms=at_ms
    )
    try:
        person: int = connection.execute(wanted.returning(tables.people.c.id)).scalar_one()
    except IntegrityError as fault:
        raise PeopleRefused(f"Somebody is called {name} already: choose another name.") from fault
    if role == OWNER:
        end_set_up_links(connection)
    return person


def set_up(connection: Connection, newcomer: Newcomer, at_ms: int) -> int:
    table = tables.people
    known: int | None = connection.execute(
        select(table.c.id).where(table.c.name_key == key_of(newcomer.name))
    ).scalar()
    if known is None:
        return add_person(connection, newcomer, OWNER, at_ms)
    change(connection, known, role=OWNER, password=newcomer.password)
    connection.execute(delete(tables.sessions).where(tables.sessions.c.person == known))
    end_set_up_links(connection)
    return known


def end_set_up_links(connection: Connection) -> None:
    connection.execute(delete(tables.links).where(tables.links.c.kind == "set-up"))


def take_use(connection: Connection, link_hash: str, at_ms: int) -> Link:
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


def open_session(connection: Connection, person: int, opening: Opening, instead_of: str) -> None:
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


def touch_people(connection: Connection, sessions: Mapping[int, int]) -> None:
    if not sessions:
        return
    people, table = tables.people, tables.sessions
    newest = (
        select(func.max(table.c.seen_ms)).where(table.c.person == people.c.id).scalar_subquery()
    )
    seen = select(table.c.person).where(table.c.id.in_(sessions))
    connection.execute(update(people).where(people.c.id.in_(seen)).values(seen_ms=newest))


def without_id(row: Link | Token) -> dict[str, object]:
    found: dict[str, object] = row._asdict()
    del found["id"]
    return found
