"""Passwords: hashed by argon2id in a small pool of their own, guessed at slowly or not at all."""

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Container
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final, TypeVar

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from haunt.core.calendar import DAY_MS
from haunt.store.roster import PeopleRefused, hash_of, key_of

WORKERS, WAITING_MAX = 2, 8
LENGTH_MIN, LENGTH_MAX = 10, 128
HASHER: Final = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
"""The least that OWASP's Password Storage page asks of argon2id: 19 MiB, t 2, p 1."""
NOBODYS: Final = (
    "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHRzb21lc2FsdA"
    "$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
)
"""What a name that is not known is checked against, so that it takes as long as one that is."""

FREE_TRIES: Final = 3
FIRST_WAIT_MS, WAIT_MS_MAX = 4_000, 600_000
FORGOTTEN_MS: Final = DAY_MS
STRANGERS_MAX: Final = 4_096

Found = TypeVar("Found")


class PoolFull(Exception):  # noqa: N818 - the word says what happened
    """More passwords wait to be checked than can be: come again in a second."""


class Passwords:
    """Two at a time and eight waiting: 19 MiB each must not become a lever against the box."""

    def __init__(self, hasher: PasswordHasher = HASHER) -> None:
        self._hasher = hasher
        self._pool = ThreadPoolExecutor(WORKERS, thread_name_prefix="passwords")
        self.taken = 0

    async def hashed(self, password: str) -> str:
        """Raises PoolFull."""
        return await self._do(lambda: self._hasher.hash(password))

    async def fits(self, known: str, password: str) -> bool:
        """Check against a hash; an empty one takes as long and never fits. Raises PoolFull."""
        fits = await self._do(lambda: self._verified(known or NOBODYS, password))
        return fits and bool(known)

    def is_dated(self, known: str) -> bool:
        """Whether a hash was made with other figures than are used now."""
        return self._hasher.check_needs_rehash(known)

    def close(self) -> None:
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _verified(self, known: str, password: str) -> bool:
        try:
            return self._hasher.verify(known, password)
        except (VerificationError, InvalidHashError):
            return False

    async def _do(self, work: Callable[[], Found]) -> Found:
        if self.taken >= WORKERS + WAITING_MAX:
            raise PoolFull
        loop = asyncio.get_running_loop()
        self.taken += 1
        future = self._pool.submit(work)
        # Whoever asked may be gone by then: the place is given back when the work is done.
        future.add_done_callback(lambda done: _on(loop, self._give_back, done))
        return await asyncio.wrap_future(future)

    def _give_back(self) -> None:
        self.taken -= 1


def _on(loop: asyncio.AbstractEventLoop, call: Callable[[], None], _done: "Future[Found]") -> None:
    if not loop.is_closed():
        loop.call_soon_threadsafe(call)


def refuse_weak(password: str, name: str) -> None:
    """Length is what counts; raises PeopleRefused."""
    if len(password) < LENGTH_MIN:
        raise PeopleRefused(
            f"A password has at least {LENGTH_MIN} characters: a few words do well.", "password"
        )
    if len(password) > LENGTH_MAX:
        raise PeopleRefused(f"A password has at most {LENGTH_MAX} characters.", "password")
    plain = key_of(password)
    bare = plain.replace(key_of(name), "").replace("password", "").replace("haunt", "")
    is_plain = len(set(plain)) < 5 or len(bare) < LENGTH_MIN // 2 or _is_a_run(plain)
    if is_plain or hash_of(plain)[:12] in _common():
        raise PeopleRefused(
            "That is guessed first: not what many choose, not your name, no row of keys.",
            "password",
        )


@cache
def _common() -> frozenset[str]:
    lines = (Path(__file__).parent / "common.txt").read_text(encoding="ascii").splitlines()
    return frozenset(line for line in lines if not line.startswith("#"))


def _is_a_run(plain: str) -> bool:
    rows = ("abcdefghijklmnopqrstuvwxyz" * 2, "01234567890123456789", "qwertyuiopasdfghjklzxcvbnm")
    return any(plain in row or plain[::-1] in row for row in rows)


@dataclass(slots=True)
class Tries:
    count: int
    next_at_ms: int
    last_ms: int


class Backoff:
    """Tries by name: three at once, then ever fewer, at most ten in ten minutes.

    A try counts when it begins, so that many at once are many. Names that nobody has are counted
    alike, in a book of their own that cannot push out those of real people.
    """

    def __init__(self, mono_ms: Callable[[], int]) -> None:
        self._mono_ms = mono_ms
        self._known: dict[str, Tries] = {}
        self._strangers: OrderedDict[str, Tries] = OrderedDict()

    def begin(self, key: str, known: Container[str]) -> int:
        """Return 0 and count a try, or how many ms to wait first."""
        now = self._mono_ms()
        book = self._known if key in known else self._strangers
        tries = book.get(key)
        if tries is None or now - tries.last_ms > FORGOTTEN_MS:
            tries = book[key] = Tries(0, now, now)
            while len(self._strangers) > STRANGERS_MAX:
                self._strangers.popitem(last=False)
        if now < tries.next_at_ms:
            return tries.next_at_ms - now
        tries.count, tries.last_ms = tries.count + 1, now
        beyond = tries.count - FREE_TRIES
        if beyond >= 0:
            tries.next_at_ms = now + min(FIRST_WAIT_MS << min(beyond, 16), WAIT_MS_MAX)
        return 0

    def succeeded(self, key: str) -> None:
        self._known.pop(key, None)
        self._strangers.pop(key, None)
