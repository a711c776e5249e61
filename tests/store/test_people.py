"""Goal: people, sessions, links and tokens are kept whole, a link works as often as it says, and
no secret is in the database.

Method: the real store on either database; races by real threads that wait for each other.
"""

import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from haunt.store.engines import open_engines
from haunt.store.people import PeopleStore
from haunt.store.peoplerows import SESSIONS_MAX
from haunt.store.refusal import StoreRefused
from haunt.store.roster import (
    Deed,
    Link,
    LinkSpent,
    Newcomer,
    Opening,
    PeopleRefused,
    Token,
    clean_name,
    hash_of,
)
from tests.store.stage import Opened

AT = 1_793_471_400_000
HOUR = 3_600_000


@pytest.fixture
def store(database: Opened) -> PeopleStore:
    return PeopleStore(database.writing, database.reader._engine)


def opening(secret: str, at_ms: int = AT) -> Opening:
    return Opening(hash_of(secret), at_ms, "192.0.2.7", "a test")


def link(code: str, kind: str = "join", role: str = "crew", uses: int = 1, **more: int) -> Link:
    return Link(0, hash_of(code), kind, role, more.get("person"), AT, AT + HOUR, uses, "Mara")


def names(store: PeopleStore) -> dict[str, str]:
    return {each.name: each.role for each in store.roster().people}


def test_a_name_is_taken_whatever_its_case_and_the_second_is_refused(store: PeopleStore) -> None:
    store.add_person("Mara", "owner", "", AT)

    with pytest.raises(PeopleRefused, match="called MARA already"):
        store.add_person("MARA", "watch", "", AT)
    assert names(store) == {"Mara": "owner"}


@pytest.mark.parametrize("wrong", ["", "   ", "x" * 33, "a\x00b", "a\nb\x1b[31m", "\u202eevil"])
def test_a_name_that_could_mislead_is_refused(wrong: str) -> None:
    with pytest.raises(PeopleRefused, match="1 to 32"):
        clean_name(wrong)


def test_a_name_is_kept_in_one_form() -> None:
    assert clean_name("  Zoe\u0308   of  the\tgate ") == "Zo\u00eb of the gate"


def test_the_last_owner_stays_owner(store: PeopleStore) -> None:
    mara = store.add_person("Mara", "owner", "", AT)
    jory = store.add_person("Jory", "crew", "", AT)

    with pytest.raises(PeopleRefused, match="last owner"):
        store.set_role(mara, "crew")
    with pytest.raises(PeopleRefused, match="last owner"):
        store.remove_person(mara)
    store.set_role(jory, "owner")
    store.set_role(mara, "watch")
    assert names(store) == {"Mara": "watch", "Jory": "owner"}


def test_two_owners_who_remove_each_other_at_once_leave_one(store: PeopleStore) -> None:
    both = [store.add_person(name, "owner", "", AT) for name in ("Mara", "Jory")]
    at_once = threading.Barrier(2)

    def remove(person: int) -> bool:
        at_once.wait(5)
        try:
            store.remove_person(person)
        except PeopleRefused:
            return False
        return True

    with ThreadPoolExecutor(2) as pool:
        done = list(pool.map(remove, both))

    assert sorted(done) == [False, True]
    assert len(store.roster().people) == 1


def test_of_two_who_use_one_link_at_once_one_comes_in(store: PeopleStore) -> None:
    store.set_up_link(link("code", "set-up", "owner"), if_ownerless=True)
    at_once = threading.Barrier(8)

    def use(number: int) -> bool:
        at_once.wait(5)
        newcomer = Newcomer(f"Racer {number}", "hash")
        try:
            store.use_link(hash_of("code"), newcomer, opening(f"s{number}"))
        except LinkSpent:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        done = list(pool.map(use, range(8)))

    assert done.count(True) == 1
    roster = store.roster()
    assert (len(roster.people), len(roster.sessions), len(roster.links)) == (1, 1, 0)


def test_a_join_link_lets_in_as_many_as_it_says_in_its_role(store: PeopleStore) -> None:
    store.add_link(link("code", uses=2))
    for number in range(2):
        store.use_link(hash_of("code"), Newcomer(f"N{number}", ""), opening(f"s{number}"))

    with pytest.raises(LinkSpent):
        store.use_link(hash_of("code"), Newcomer("N2", ""), opening("s2"))
    assert names(store) == {"N0": "crew", "N1": "crew"}


def test_a_refused_name_leaves_the_link_its_use(store: PeopleStore) -> None:
    store.add_person("Mara", "owner", "", AT)
    store.add_link(link("code"))

    with pytest.raises(PeopleRefused, match="already"):
        store.use_link(hash_of("code"), Newcomer("mara", ""), opening("s"))
    store.use_link(hash_of("code"), Newcomer("Jory", ""), opening("s"))

    assert "Jory" in names(store)


@pytest.mark.parametrize("late_ms", [HOUR, HOUR + 1])
def test_a_link_that_has_ended_lets_nobody_in(store: PeopleStore, late_ms: int) -> None:
    store.add_link(link("code"))

    with pytest.raises(LinkSpent):
        store.use_link(hash_of("code"), Newcomer("Jory", ""), opening("s", AT + late_ms))
    assert store.roster().people == ()


def test_a_set_up_link_is_made_only_while_nobody_owns_the_show(store: PeopleStore) -> None:
    first, second = link("one", "set-up", "owner"), link("two", "set-up", "owner")
    assert store.set_up_link(first, if_ownerless=True)
    assert store.set_up_link(second, if_ownerless=True)
    assert [each.hash for each in store.roster().links] == [hash_of("two")], "one at a time"

    store.add_person("Mara", "owner", "", AT)

    assert store.roster().links == (), "made in another way, an owner ends the link"
    assert not store.set_up_link(first, if_ownerless=True)


def test_a_reset_gives_a_known_name_a_new_password_and_ends_its_sessions(
    store: PeopleStore,
) -> None:
    mara = store.add_person("Mara", "owner", "old", AT)
    store.open_session(mara, opening("old session"))
    store.set_up_link(link("code", "set-up", "owner"), if_ownerless=False)

    found = store.use_link(hash_of("code"), Newcomer("mara", "new"), opening("new session"))

    assert (found.id, found.password, found.role) == (mara, "new", "owner")
    assert [each.hash for each in store.roster().sessions] == [hash_of("new session")]


def test_a_removed_person_takes_sessions_and_links_along(store: PeopleStore) -> None:
    store.add_person("Mara", "owner", "", AT)
    wren = store.add_person("Wren", "watch", "", AT)
    store.open_session(wren, opening("s"))
    store.add_link(link("code", "sign-in", "watch", person=wren))

    store.remove_person(wren)

    roster = store.roster()
    assert (roster.sessions, roster.links) == ((), ())
    with pytest.raises(PeopleRefused, match="no such person"):
        store.open_session(wren, opening("t"))


def test_a_person_has_a_bounded_number_of_sessions_and_the_unused_end_first(
    store: PeopleStore,
) -> None:
    mara = store.add_person("Mara", "owner", "", AT)
    for number in range(SESSIONS_MAX + 3):
        store.open_session(mara, opening(f"s{number}", AT + number))

    hashes = [each.hash for each in store.roster().sessions]
    assert hashes == [hash_of(f"s{number}") for number in range(3, SESSIONS_MAX + 3)]


def test_the_session_that_a_device_had_before_ends_with_the_new_one(store: PeopleStore) -> None:
    mara = store.add_person("Mara", "owner", "", AT)
    store.open_session(mara, opening("before"))
    store.open_session(mara, opening("after"), hash_of("before"))

    assert [each.hash for each in store.roster().sessions] == [hash_of("after")]


def test_nobody_ends_a_session_of_another_by_its_number(store: PeopleStore) -> None:
    mara = store.add_person("Mara", "owner", "", AT)
    wren = store.add_person("Wren", "watch", "", AT)
    store.open_session(mara, opening("hers"))
    [session] = store.roster().sessions

    store.end_session(session.id, wren)
    assert len(store.roster().sessions) == 1
    store.end_session(session.id, mara)
    assert store.roster().sessions == ()


def test_every_change_gives_another_version_and_being_seen_gives_none(store: PeopleStore) -> None:
    mara = store.add_person("Mara", "owner", "", AT)
    seen = {store.version()}
    store.open_session(mara, opening("s"))
    seen.add(store.version())
    store.add_token(Token(0, hash_of("t"), "haunt_t", "bench", "crew", AT, None, None, "Mara"))
    seen.add(store.version())
    assert len(seen) == 3

    store.touch({1: AT + 5}, {1: AT + 6})

    assert store.version() in seen
    roster = store.roster()
    assert (roster.sessions[0].seen_ms, roster.people[0].seen_ms) == (AT + 5, AT + 5)
    assert roster.tokens[0].seen_ms == AT + 6


def test_the_logbook_is_only_added_to(database: Opened, store: PeopleStore) -> None:
    store.write_deeds([Deed(AT, "Mara", "192.0.2.7", "stop", "", "done")])

    for statement in ("UPDATE logbook SET who = 'nobody'", "DELETE FROM logbook"):
        with (
            pytest.raises(DatabaseError, match="only added to"),
            database.writing.begin() as connection,
        ):
            connection.execute(text(statement))
    [deed] = store.logbook(newest=True).items
    assert (deed["who"], deed["what"], deed["result"]) == ("Mara", "stop", "done")


def test_a_database_that_cannot_be_read_is_said_in_words(tmp_path: Path) -> None:
    tmp_path.joinpath("haunt.db").write_bytes(b"rubbish " * 500)
    writing, reading = open_engines(tmp_path)

    with pytest.raises(StoreRefused, match="cannot be read"):
        PeopleStore(writing, reading).roster()
    writing.dispose()
    reading.dispose()


def test_no_secret_is_kept_in_clear(database: Opened, store: PeopleStore) -> None:
    mara = store.add_person("Mara", "owner", "", AT)
    store.open_session(mara, opening("the-sessions-secret"))
    store.add_link(link("the-links-code"))
    token = "haunt_the-tokens-secret"
    store.add_token(Token(0, hash_of(token), token[:12], "t", "crew", AT, None, None, "Mara"))

    if database.url:
        tables = ("people", "sessions", "links", "tokens", "settings", "logbook")
        rows = [database.ask(f"SELECT each::text FROM {name} AS each") for name in tables]
        kept = repr(rows).encode()
    else:
        database.ask("PRAGMA wal_checkpoint(TRUNCATE)")
        kept = database.path.read_bytes()

    assert b"Mara" in kept, "this is what holds people"
    for secret in (b"the-sessions-secret", b"the-links-code", token.encode()):
        assert secret not in kept
