"""Who is asking: sessions and tokens known by heart, so that a stop waits for no database.

What is kept is looked at again when it has changed; what is known stays good meanwhile.
"""

import hmac
import logging
import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from types import MappingProxyType
from typing import Final, NamedTuple, Protocol

from haunt.core.calendar import DAY_MS
from haunt.live.ports import Clock
from haunt.site.rights import GRANTED, Role
from haunt.store.refusal import StoreRefused
from haunt.store.roster import EMPTY, Link, Person, Roster, Session, Token, hash_of, key_of

log = logging.getLogger("haunt.site")


class Life(NamedTuple):
    """How long a session lasts unused, and at most."""

    idle_ms: int
    whole_ms: int


LIVES: Final = {
    Role.WATCH: Life(14 * DAY_MS, 60 * DAY_MS),
    Role.CREW: Life(7 * DAY_MS, 30 * DAY_MS),
    Role.OWNER: Life(DAY_MS, 7 * DAY_MS),
}
SECRET_BYTES: Final = 32


class RosterBook(Protocol):
    """What is kept of people, read."""

    def version(self) -> str: ...
    def roster(self) -> Roster: ...


class Caller(NamedTuple):
    """Who asks. `kind` is person, token or guest; `id` is of the session or token."""

    kind: str
    name: str
    role: Role
    id: int = 0
    person: int = 0
    form_token: str = ""

    @property
    def by(self) -> str:
        """The name that pages and the journal show."""
        return f"token {self.name}" if self.kind == "token" else self.name


@dataclass(slots=True)
class Lease:
    """By the steady clock: a wall clock that leaps ends nobody's session."""

    role: Role
    idle_until_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class _Known:
    roster: Roster
    people: Mapping[int, Person]
    keys: frozenset[str]
    sessions: Mapping[str, Session]
    tokens: Mapping[str, Token]


def _known(roster: Roster) -> _Known:
    return _Known(
        roster,
        MappingProxyType({each.id: each for each in roster.people}),
        frozenset(key_of(each.name) for each in roster.people),
        MappingProxyType({each.hash: each for each in roster.sessions}),
        MappingProxyType({each.hash: each for each in roster.tokens}),
    )


def new_secret() -> str:
    """Return 256 random bits for a cookie."""
    return secrets.token_urlsafe(SECRET_BYTES)


def form_token_of(secret: str) -> str:
    """Return what a page of that session sends along with a form; a stranger cannot know it."""
    return hmac.new(secret.encode("utf-8", "replace"), b"form", sha256).hexdigest()


class Doors:
    """`by_cookie`, `by_bearer` and `still` are for the loop and touch memory only.

    `guest` is who everybody is that has neither; None lets nobody in.
    """

    def __init__(self, book: RosterBook, clock: Clock, guest: Role | None = None) -> None:
        self._book, self._clock = book, clock
        self._known = _known(EMPTY)
        self._leases: dict[int, Lease] = {}
        self._seen: dict[int, int] = {}
        self._tokens_seen: dict[int, int] = {}
        self._looking = threading.Lock()
        self.guest: Caller | None = None
        if guest is not None:
            self.guest = Caller("guest", "guest", guest, form_token=form_token_of(new_secret()))

    # --- who asks

    def by_cookie(self, secret: str) -> Caller | None:
        known = self._known
        session = known.sessions.get(hash_of(secret))
        person = known.people.get(session.person) if session is not None else None
        lease = self._leases.get(session.id) if session is not None else None
        if session is None or person is None or lease is None or not self._is_good(lease):
            return None
        role = GRANTED[person.role]
        lease.idle_until_ms = self._clock.mono_ms() + LIVES[role].idle_ms
        self._seen[session.id] = self._clock.wall_ms()
        token = form_token_of(secret)
        return Caller("person", person.name, role, session.id, person.id, token)

    def by_bearer(self, secret: str) -> Caller | None:
        token = self._known.tokens.get(hash_of(secret))
        now = self._clock.wall_ms()
        if token is None or (token.ends_ms is not None and now >= token.ends_ms):
            return None
        self._tokens_seen[token.id] = now
        return Caller("token", token.name, GRANTED[token.role], token.id)

    def still(self, caller: Caller) -> bool:
        """Whether who came in may stay, for answers that go on and on."""
        if caller.kind == "person":
            return self._is_open(caller.id)
        if caller.kind == "token":
            now = self._clock.wall_ms()
            found = [each for each in self._known.roster.tokens if each.id == caller.id]
            return any(each.ends_ms is None or now < each.ends_ms for each in found)
        return True

    def _is_open(self, session: int) -> bool:
        lease = self._leases.get(session)
        return lease is not None and self._is_good(lease)

    def _is_good(self, lease: Lease) -> bool:
        return self._clock.mono_ms() < min(lease.idle_until_ms, lease.until_ms)

    # --- what is known

    @property
    def roster(self) -> Roster:
        return self._known.roster

    @property
    def keys(self) -> frozenset[str]:
        """Names that somebody has, folded."""
        return self._known.keys

    def person(self, person: int) -> Person | None:
        return self._known.people.get(person)

    def named(self, name: str) -> Person | None:
        key = key_of(name)
        return next((each for each in self.roster.people if key_of(each.name) == key), None)

    def sessions_of(self, person: int) -> list[Session]:
        """Those that are open, with when they were last seen, newest first."""
        found = [
            each._replace(seen_ms=self._seen.get(each.id, each.seen_ms))
            for each in self.roster.sessions
            if each.person == person and self._is_open(each.id)
        ]
        return sorted(found, key=lambda each: -each.seen_ms)

    def seen_ms(self, person: Person) -> int | None:
        seen = [each.seen_ms for each in self.sessions_of(person.id)]
        return max([*seen, person.seen_ms or 0]) or None

    def tokens(self) -> list[Token]:
        return [
            each._replace(seen_ms=self._tokens_seen.get(each.id, each.seen_ms))
            for each in self.roster.tokens
        ]

    def links(self) -> list[Link]:
        now = self._clock.wall_ms()
        return [each for each in self.roster.links if each.uses_left > 0 and now < each.ends_ms]

    # --- news

    def look(self, *, again: bool = False) -> None:
        """Take over what has changed. May be called from any thread; raises StoreRefused."""
        with self._looking:
            if not again and self._book.version() == self._known.roster.version:
                return
            found = _known(self._book.roster())
            self._leases = self._leases_of(found)
            self._known = found

    def look_quietly(self, also: Callable[[], None] | None = None) -> None:
        """As `look`; where that fails, what is known stays good."""
        try:
            self.look()
            if also is not None:
                also()
        except StoreRefused as fault:
            log.warning("%s; those who are signed in stay so", fault)

    def _leases_of(self, known: _Known) -> dict[int, Lease]:
        mono_ms, wall_ms = self._clock.mono_ms(), self._clock.wall_ms()
        found: dict[int, Lease] = {}
        for session in known.sessions.values():
            person = known.people.get(session.person)
            if person is None:
                continue
            role, lease = GRANTED[person.role], self._leases.get(session.id)
            if lease is None or lease.role is not role:
                seen_ms = self._seen.get(session.id, session.seen_ms)
                idle_ms = _left(LIVES[role].idle_ms, wall_ms - seen_ms)
                whole_ms = _left(LIVES[role].whole_ms, wall_ms - session.since_ms)
                lease = Lease(role, mono_ms + idle_ms, mono_ms + whole_ms)
            found[session.id] = lease
        return found

    def ended(self) -> list[int]:
        """Sessions that time has ended."""
        return [each.id for each in self.roster.sessions if not self._is_open(each.id)]

    def seen(self) -> tuple[dict[int, int], dict[int, int]]:
        """When sessions and tokens were last seen in this run, as UTC ms by id."""
        return dict(self._seen), dict(self._tokens_seen)


def _left(whole_ms: int, passed_ms: int) -> int:
    """A clock that was set back gives no longer life than a fresh session has."""
    return min(whole_ms, max(0, whole_ms - passed_ms))
