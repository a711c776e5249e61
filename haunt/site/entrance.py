"""Coming in and leaving: what signing in, links, passwords and tokens do, without any HTTP.

Whatever waits for the database or for a password to be checked waits here, never at the doors.
"""

import asyncio
import threading
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple, Protocol, TypeVar

from haunt.live.ports import Clock
from haunt.site.doors import Caller, Doors, RosterBook, new_secret
from haunt.site.invitations import NewLink, granted, new_token
from haunt.site.logbook import Logbook
from haunt.site.passwords import Backoff, Passwords, refuse_weak
from haunt.site.rights import GRANTED, Role
from haunt.store.roster import (
    Deed,
    Link,
    LinkSpent,
    Newcomer,
    Opening,
    PeopleRefused,
    Person,
    Token,
    clean_name,
    hash_of,
    key_of,
)

LOOK_EVERY_S, KEEP_EVERY_S = 0.5, 30.0
SEEN_STEP_MS: Final = 60_000
NEWS_EVERY_MS: Final = 200

Found = TypeVar("Found")


class WrongPassword(PeopleRefused):
    """Does not say which of the two is wrong."""

    def __init__(self) -> None:
        super().__init__("Name or password is wrong.", "password")


class TooSoon(PeopleRefused):
    """Too many tries for one name; other names, and whoever is in, are not touched by it."""

    def __init__(self, wait_ms: int) -> None:
        self.wait_s = -(-wait_ms // 1000)
        super().__init__(f"Too many tries for this name. Try again in {self.wait_s} s.", "name")


class DeedPage(Protocol):
    """Lines of the logbook, ids counting up; `next` is the cursor that goes on."""

    @property
    def items(self) -> list[dict[str, Any]]: ...
    @property
    def next(self) -> int | None: ...


class PeopleBook(RosterBook, Protocol):
    """What is kept of people. Every method may wait for the disk and raise StoreRefused."""

    def logbook(self, **asked: Any) -> DeedPage: ...
    def set_role(self, person: int, role: str) -> None: ...
    def set_password(self, person: int, password: str) -> None: ...
    def remove_person(self, person: int) -> None: ...
    def open_session(self, person: int, opening: Opening, instead_of: str = "") -> None: ...
    def end_session(self, session: int, person: int | None = None) -> None: ...
    def end_sessions(self, person: int, but: int | None = None) -> None: ...
    def forget_sessions(self, ids: Sequence[int]) -> None: ...
    def touch(self, sessions: dict[int, int], tokens: dict[int, int]) -> None: ...
    def add_link(self, link: Link) -> None: ...
    def end_link(self, link: int) -> None: ...
    def use_link(
        self, link_hash: str, newcomer: Newcomer | None, opening: Opening, instead_of: str = ""
    ) -> Person: ...
    def add_token(self, token: Token) -> None: ...
    def end_token(self, token: int) -> None: ...
    def write_deeds(self, deeds: Sequence[Deed]) -> None: ...


class Device(NamedTuple):
    """Where somebody comes from, and the session that this browser had before."""

    address: str
    kind: str
    before: str = ""


class Inside(NamedTuple):
    """Who came in, and the secret for the cookie; it is kept nowhere."""

    name: str
    secret: str


class Entrance:
    """All coroutines are for the application's loop."""

    def __init__(
        self,
        book: PeopleBook,
        clock: Clock,
        guest: Role | None = None,
        passwords: Passwords | None = None,
    ) -> None:
        self.book, self._clock = book, clock
        self.doors = Doors(book, clock, guest)
        self.logbook = Logbook(book.write_deeds)
        self.passwords = passwords or Passwords()
        self._backoff = Backoff(clock.mono_ms)
        self._asking, self._asked_ms = False, -NEWS_EVERY_MS
        self._kept: tuple[dict[int, int], dict[int, int]] = ({}, {})
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="people", daemon=True)

    @property
    def now_ms(self) -> int:
        return self._clock.wall_ms()

    # --- coming in

    async def sign_in(self, name: str, password: str, device: Device) -> Inside:
        """Raises WrongPassword, TooSoon, PoolFull."""
        key = key_of(" ".join(name.split()))[:128]
        wait_ms = self._backoff.begin(key, self.doors.keys)
        if wait_ms:
            raise TooSoon(wait_ms)
        person = self.doors.named(key)
        known = person.password if person is not None else ""
        if not await self.passwords.fits(known, password) or person is None:
            raise WrongPassword
        self._backoff.succeeded(key)
        if self.passwords.is_dated(known):
            fresh = await self.passwords.hashed(password)
            await self._change(lambda: self.book.set_password(person.id, fresh))
        secret, opening = self._opening(device)
        await self._change(
            lambda: self.book.open_session(person.id, opening, _hash_or_none(device.before))
        )
        return Inside(person.name, secret)

    async def link(self, code: str) -> Link:
        """Look at a link without using it. Raises LinkSpent."""
        known = hash_of(code)
        found = self._link(known)
        if found is None:
            await self.news()
            found = self._link(known)
        if found is None:
            raise LinkSpent
        return found

    def _link(self, known: str) -> Link | None:
        return next((each for each in self.doors.links() if each.hash == known), None)

    async def news(self) -> None:
        """Look whether what is kept has changed, for somebody who is not known; seldom.

        What the command line made a moment ago works at once, and strangers who ask and ask cost
        no more than a few short reads a second, one at a time.
        """
        now = self._clock.mono_ms()
        if self._asking or now - self._asked_ms < NEWS_EVERY_MS:
            return
        self._asking, self._asked_ms = True, now
        try:
            await asyncio.to_thread(self.doors.look_quietly)
        finally:
            self._asking = False

    async def use_link(self, code: str, name: str, password: str, device: Device) -> Inside:
        """Raises LinkSpent, PeopleRefused, PoolFull."""
        link = await self.link(code)
        newcomer = None
        if link.kind != "sign-in":
            wanted = clean_name(name)
            newcomer = Newcomer(wanted, await self._new_password(link, wanted, password))
        secret, opening = self._opening(device)
        person = await self._change(
            lambda: self.book.use_link(link.hash, newcomer, opening, _hash_or_none(device.before))
        )
        self._backoff.succeeded(key_of(person.name))
        return Inside(person.name, secret)

    async def _new_password(self, link: Link, name: str, password: str) -> str:
        """Who only watches needs none; a password that is given is checked all the same."""
        role = Role.OWNER if link.kind == "set-up" else GRANTED[link.role]
        if not password and role <= Role.WATCH:
            return ""
        refuse_weak(password, name)
        return await self.passwords.hashed(password)

    def _opening(self, device: Device) -> tuple[str, Opening]:
        secret = new_secret()
        return secret, Opening(hash_of(secret), self.now_ms, device.address, device.kind)

    # --- one's own account

    async def sign_out(self, caller: Caller) -> None:
        await self._change(lambda: self.book.end_session(caller.id))

    async def sign_out_everywhere(self, caller: Caller) -> None:
        await self._change(lambda: self.book.end_sessions(caller.person))

    async def end_own_session(self, caller: Caller, session: int) -> None:
        await self._change(lambda: self.book.end_session(session, caller.person))

    async def change_password(self, caller: Caller, old: str, new: str) -> None:
        """The other sessions end. Raises PeopleRefused, TooSoon, PoolFull."""
        person = self.doors.person(caller.person)
        if person is None:
            raise PeopleRefused("You are not signed in any more.", "person")
        refuse_weak(new, person.name)
        if person.password:
            wait_ms = self._backoff.begin(key_of(person.name), self.doors.keys)
            if wait_ms:
                raise TooSoon(wait_ms)
            if not await self.passwords.fits(person.password, old):
                raise PeopleRefused("The old password is another one.", "old")
            self._backoff.succeeded(key_of(person.name))
        fresh = await self.passwords.hashed(new)
        await self._change(lambda: self.book.set_password(person.id, fresh))
        await self._change(lambda: self.book.end_sessions(person.id, caller.id))

    # --- what owners do

    async def set_role(self, person: int, role: str) -> None:
        await self._change(lambda: self.book.set_role(person, granted(role).word))

    async def remove(self, person: int) -> None:
        await self._change(lambda: self.book.remove_person(person))

    async def end_sessions_of(self, person: int) -> None:
        await self._change(lambda: self.book.end_sessions(person))

    async def make_link(self, new: NewLink, by: str) -> str:
        """Return the code; it is kept nowhere."""
        code, link = new.drawn(self.now_ms, by)
        await self._change(lambda: self.book.add_link(link))
        return code

    async def end_link(self, link: int) -> None:
        await self._change(lambda: self.book.end_link(link))

    async def make_token(self, name: str, role: str, days: int | None, by: str) -> str:
        """Return the token; it is kept nowhere."""
        secret, token = new_token(name, role, days, self.now_ms, by)
        await self._change(lambda: self.book.add_token(token))
        return secret

    async def end_token(self, token: int) -> None:
        await self._change(lambda: self.book.end_token(token))

    # --- beside it all

    def start(self) -> None:
        self.doors.look(again=True)
        self.logbook.start()
        self._thread.start()

    def stop(self) -> None:
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
        self.logbook.stop()
        self.passwords.close()

    def keep(self) -> None:
        """Write down who was seen and forget sessions that time has ended. Raises StoreRefused."""
        sessions, tokens = self.doors.seen()
        fresh = _moved(sessions, self._kept[0]), _moved(tokens, self._kept[1])
        if fresh[0] or fresh[1]:
            self.book.touch(*fresh)
            self._kept = ({**self._kept[0], **fresh[0]}, {**self._kept[1], **fresh[1]})
        ended = self.doors.ended()
        if ended:
            self.book.forget_sessions(ended)

    def _run(self) -> None:
        """Changes by the command line, or by another server, are known within half a second."""
        turns = 0
        while not self._ending.wait(LOOK_EVERY_S):
            turns += 1
            self.doors.look_quietly(self.keep if turns * LOOK_EVERY_S % KEEP_EVERY_S == 0 else None)
        self.doors.look_quietly(self.keep)

    async def _change(self, change: Callable[[], Found]) -> Found:
        """In a thread, for it waits for the disk; known here when it returns."""

        def work() -> Found:
            found = change()
            self.doors.look(again=True)
            return found

        return await asyncio.to_thread(work)


def _hash_or_none(secret: str) -> str:
    return hash_of(secret) if secret else ""


def _moved(seen: dict[int, int], kept: dict[int, int]) -> dict[int, int]:
    """A minute's step is fine enough to tell when somebody was last seen."""
    return {
        each: at_ms for each, at_ms in seen.items() if abs(at_ms - kept.get(each, 0)) > SEEN_STEP_MS
    }
