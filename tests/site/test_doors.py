"""Goal: who is asking is known by heart, for as long as it should be and no longer.

Method: the real doors over the real store in memory, with a clock that a test turns on.
"""

import pytest

from haunt.core.calendar import DAY_MS
from haunt.site.doors import LIVES, Caller, Doors, form_token_of, new_secret
from haunt.site.invitations import new_token
from haunt.site.rights import CREW, OWNER, WATCH, Role
from haunt.store.people import PeopleStore
from haunt.store.refusal import StoreRefused
from haunt.store.roster import EMPTY, Roster
from tests.site.stage import (
    NAMES,
    StandInClock,
    a_store,
    an_entrance,
    secret_of,
    token_of,
)

TEN_YEARS_MS = 3_653 * DAY_MS


@pytest.fixture
def clock() -> StandInClock:
    return StandInClock()


@pytest.fixture
def store() -> PeopleStore:
    return a_store()


@pytest.fixture
def doors(clock: StandInClock, store: PeopleStore) -> Doors:
    return an_entrance(clock, store=store).doors


@pytest.mark.parametrize("role", list(NAMES))
def test_a_session_is_its_person_with_the_persons_role(doors: Doors, role: str) -> None:
    found = doors.by_cookie(secret_of(role))

    assert found is not None
    assert (found.name, found.role.word, found.kind) == (NAMES[role], role, "person")
    assert doors.still(found)


@pytest.mark.parametrize("secret", ["", "x", secret_of("owner") + "x", "\udcff", "a" * 10_000])
def test_another_secret_is_nobody(doors: Doors, secret: str) -> None:
    assert doors.by_cookie(secret) is None
    assert doors.by_bearer(secret) is None


@pytest.mark.parametrize("role", [WATCH, CREW, OWNER])
def test_a_session_ends_when_it_is_not_used_and_lives_on_while_it_is(
    doors: Doors, clock: StandInClock, role: Role
) -> None:
    idle_ms = LIVES[role].idle_ms
    clock.on(idle_ms - 1)
    found = doors.by_cookie(secret_of(role.word))
    assert found is not None
    clock.on(idle_ms - 1)
    assert doors.by_cookie(secret_of(role.word)) is not None

    clock.on(idle_ms)

    assert doors.by_cookie(secret_of(role.word)) is None
    assert not doors.still(found)
    assert found.id in doors.ended()


@pytest.mark.parametrize("role", [WATCH, CREW, OWNER])
def test_a_session_ends_at_its_time_however_much_it_is_used(
    doors: Doors, clock: StandInClock, role: Role
) -> None:
    step_ms = LIVES[role].idle_ms // 2
    lived_ms = 0
    while doors.by_cookie(secret_of(role.word)) is not None and lived_ms < TEN_YEARS_MS:
        clock.on(step_ms)
        lived_ms += step_ms

    assert lived_ms - step_ms < LIVES[role].whole_ms <= lived_ms


@pytest.mark.parametrize("leap_ms", [TEN_YEARS_MS, -TEN_YEARS_MS])
def test_a_wall_clock_that_leaps_signs_nobody_out(
    doors: Doors, clock: StandInClock, leap_ms: int
) -> None:
    clock.wall += leap_ms

    assert doors.by_cookie(secret_of("crew")) is not None
    doors.look(again=True)
    assert doors.by_cookie(secret_of("crew")) is not None


def test_after_a_restart_the_time_that_passed_counts(
    clock: StandInClock, store: PeopleStore, doors: Doors
) -> None:
    assert doors.by_cookie(secret_of("owner")) is not None
    clock.wall += LIVES[OWNER].idle_ms + 1

    again = Doors(store, clock)
    again.look(again=True)

    assert again.by_cookie(secret_of("owner")) is None
    assert again.by_cookie(secret_of("watch")) is not None


def test_a_clock_set_back_before_a_restart_gives_no_longer_life(
    clock: StandInClock, store: PeopleStore, doors: Doors
) -> None:
    assert doors.by_cookie(secret_of("owner")) is not None
    clock.wall -= TEN_YEARS_MS
    again = Doors(store, clock)
    again.look(again=True)
    assert again.by_cookie(secret_of("owner")) is not None

    clock.on(LIVES[OWNER].idle_ms)

    assert again.by_cookie(secret_of("owner")) is None


def test_a_change_made_elsewhere_counts_from_the_next_look(
    doors: Doors, store: PeopleStore
) -> None:
    found = doors.by_cookie(secret_of("crew"))
    assert found is not None
    store.set_role(found.person, "watch")
    doors.look()
    lowered = doors.by_cookie(secret_of("crew"))
    assert lowered is not None
    assert lowered.role is WATCH

    store.remove_person(found.person)
    doors.look()

    assert doors.by_cookie(secret_of("crew")) is None
    assert not doors.still(found)


def test_who_becomes_owner_has_an_owners_shorter_session(
    doors: Doors, store: PeopleStore, clock: StandInClock
) -> None:
    store.set_role(3, "owner")
    doors.look()
    clock.on(LIVES[OWNER].idle_ms)

    assert doors.by_cookie(secret_of("watch")) is None


def test_a_token_works_until_its_time_and_not_after_it_was_ended(
    doors: Doors, store: PeopleStore, clock: StandInClock
) -> None:
    secret, token = new_token("graphs", "watch", 2, clock.wall_ms(), "Mara")
    store.add_token(token)
    doors.look()
    found = doors.by_bearer(secret)
    assert found is not None
    assert (found.role, found.by) == (WATCH, "token graphs")
    assert doors.tokens()[-1].seen_ms == clock.wall_ms()
    clock.on(2 * DAY_MS)
    assert doors.by_bearer(secret) is None
    assert not doors.still(found)

    endless = doors.by_bearer(token_of("crew"))
    assert endless is not None
    assert doors.still(endless)
    store.end_token(endless.id)
    doors.look()
    assert doors.by_bearer(token_of("crew")) is None
    assert not doors.still(endless)


def test_without_a_change_nothing_is_read_anew(clock: StandInClock) -> None:
    class Counting:
        rosters = 0

        def version(self) -> str:
            return EMPTY.version

        def roster(self) -> Roster:
            self.rosters += 1
            return EMPTY

    book = Counting()
    doors = Doors(book, clock)
    for _ in range(5):
        doors.look()

    assert book.rosters == 0


def test_a_database_that_fails_leaves_everybody_signed_in(
    clock: StandInClock, store: PeopleStore
) -> None:
    class Failing(PeopleStore):
        def __init__(self, whole: PeopleStore) -> None:
            self._whole, self.fails = whole, False

        def version(self) -> str:
            if self.fails:
                raise StoreRefused("people cannot be read: disk I/O error")
            return self._whole.version()

        def roster(self) -> Roster:
            return self._whole.roster()

    an_entrance(clock, store=store)
    book = Failing(store)
    doors = Doors(book, clock)
    doors.look(again=True)
    book.fails = True

    doors.look_quietly()

    assert doors.by_cookie(secret_of("watch")) is not None


def test_secrets_are_256_bits_and_a_form_token_tells_nothing_of_its_session() -> None:
    secret = new_secret()

    assert len(secret) == 43, "32 bytes in base64"
    assert new_secret() != secret
    assert form_token_of(secret) not in secret
    assert form_token_of(secret) != form_token_of(new_secret())


def test_without_a_guest_nobody_is_let_in_and_with_one_everybody_has_its_role(
    clock: StandInClock, store: PeopleStore
) -> None:
    assert Doors(store, clock).guest is None
    guest = Doors(store, clock, CREW).guest
    assert isinstance(guest, Caller)
    assert (guest.role, guest.kind, bool(guest.form_token)) == (CREW, "guest", True)
