"""Goal: guessing is slow and known by nothing, and checking passwords cannot take the machine.

Method: the real argon2id where its time is the question, a held-up one where its queue is, and a
clock that a test turns on.
"""

import asyncio
import statistics
import threading
import time
from collections.abc import Callable, Coroutine
from typing import Any, Literal

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.low_level import Type

from haunt.site.passwords import (
    HASHER,
    NOBODYS,
    STRANGERS_MAX,
    WAITING_MAX,
    WORKERS,
    Backoff,
    Passwords,
    PoolFull,
    refuse_weak,
)
from haunt.store.roster import PeopleRefused
from tests.outside.registry import outside
from tests.site.stage import StandInClock

KNOWN = frozenset({"mara"})
TEN_MINUTES_MS = 600_000


class HeldUp(PasswordHasher):
    """Checks nothing before it is let go."""

    def __init__(self) -> None:
        super().__init__(time_cost=1, memory_cost=8, parallelism=1)
        self.let_go = threading.Event()
        self.at_once, self.most = 0, 0
        self._counting = threading.Lock()

    def hash(self, password: str | bytes, *, salt: bytes | None = None) -> str:
        self._wait()
        return super().hash(password, salt=salt)

    def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # noqa: A002
        self._wait()
        return super().verify(hash, password)

    def _wait(self) -> None:
        with self._counting:
            self.at_once += 1
            self.most = max(self.most, self.at_once)
        assert self.let_go.wait(10)
        with self._counting:
            self.at_once -= 1


def test_hashes_are_argon2id_with_at_least_what_owasp_asks() -> None:
    found = extract_parameters(HASHER.hash("a b c d e f"))

    assert found.type is Type.ID
    outside("passwords/memory").saw(found.memory_cost)
    outside("passwords/time").saw(found.time_cost)
    outside("passwords/lanes").saw(found.parallelism)
    assert extract_parameters(NOBODYS) == found, "so that nobody's takes as long"


def test_a_password_fits_its_own_hash_and_no_other_and_never_an_empty_one() -> None:
    async def story() -> list[bool]:
        passwords = Passwords()
        known = await passwords.hashed("seven lamps")
        tried = [(known, "seven lamps"), (known, "six lamps"), ("", "seven lamps"), ("x", "x")]
        found = [await passwords.fits(*each) for each in tried]
        passwords.close()
        return found

    assert asyncio.run(story()) == [True, False, False, False]


def test_a_name_that_is_not_known_takes_as_long_as_one_that_is() -> None:
    async def took(passwords: Passwords, known: str) -> float:
        begun = time.perf_counter()
        await passwords.fits(known, "a wrong guess")
        return time.perf_counter() - begun

    async def story() -> float:
        passwords = Passwords()
        known = await passwords.hashed("seven lamps")
        pairs = [(await took(passwords, known), await took(passwords, "")) for _ in range(15)]
        passwords.close()
        return statistics.median(a for a, _ in pairs) / statistics.median(b for _, b in pairs)

    ratio = asyncio.run(story())
    print(f"known to unknown {ratio:.2f}")
    assert 0.5 < ratio < 2, "generous: other work may run beside it"


def with_held_up(story: Callable[[Passwords, HeldUp], Coroutine[Any, Any, None]]) -> None:
    async def told() -> None:
        hasher = HeldUp()
        passwords = Passwords(hasher)
        try:
            await story(passwords, hasher)
        finally:
            hasher.let_go.set()
            passwords.close()

    asyncio.run(told())


def test_two_are_checked_at_once_eight_wait_and_one_more_is_sent_away() -> None:
    async def story(passwords: Passwords, hasher: HeldUp) -> None:
        asked = [asyncio.create_task(passwords.hashed("x")) for _ in range(WORKERS + WAITING_MAX)]
        await asyncio.sleep(0)

        with pytest.raises(PoolFull):
            await passwords.hashed("x")
        hasher.let_go.set()
        await asyncio.gather(*asked)

        assert 1 <= hasher.most <= WORKERS
        await passwords.hashed("x")  # there is room again

    with_held_up(story)


def test_those_who_left_give_their_place_back_only_when_the_work_is_done() -> None:
    async def story(passwords: Passwords, hasher: HeldUp) -> None:
        asked = [asyncio.create_task(passwords.hashed("x")) for _ in range(WORKERS)]
        await asyncio.sleep(0)
        for each in asked:
            each.cancel()
        await asyncio.gather(*asked, return_exceptions=True)
        more = [asyncio.create_task(passwords.hashed("x")) for _ in range(WAITING_MAX)]
        await asyncio.sleep(0)

        with pytest.raises(PoolFull):
            await passwords.hashed("x")
        hasher.let_go.set()
        await asyncio.gather(*more)

    with_held_up(story)


@pytest.mark.parametrize(
    "weak",
    [
        "short",
        "aaaaaaaaaaaa",
        "abcdefghijk",
        "0123456789",
        "MaraMaraMara",
        "x" * 129,
        "1q2w3e4r5t",
        "Q1W2E3R4T5",
    ],
)
def test_what_is_guessed_first_is_refused(weak: str) -> None:
    with pytest.raises(PeopleRefused):
        refuse_weak(weak, "Mara")


@pytest.mark.parametrize("good", ["seven lamps in a row", "correct-horse", "пять ламп в ряд"])
def test_a_few_words_are_good_without_any_rule_about_signs(good: str) -> None:
    refuse_weak(good, "Mara")


# --- back-off


def tries_within(clock: StandInClock, backoff: Backoff, key: str, ms: int, step_ms: int) -> int:
    """How many of those who try all the time get through."""
    until, count = clock.mono + ms, 0
    while clock.mono < until:
        count += backoff.begin(key, KNOWN) == 0
        clock.on(step_ms)
    return count


@pytest.mark.parametrize("key", ["mara", "a stranger"])
def test_of_a_million_guesses_ten_get_through_in_ten_minutes(key: str) -> None:
    clock = StandInClock()
    backoff = Backoff(clock.mono_ms)

    assert tries_within(clock, backoff, key, TEN_MINUTES_MS, 10) <= 10
    later = [tries_within(clock, backoff, key, TEN_MINUTES_MS, 10) for _ in range(6)]
    assert max(later) <= 2, "and ever fewer"


def test_many_at_once_are_many() -> None:
    backoff = Backoff(StandInClock().mono_ms)

    assert [backoff.begin("mara", KNOWN) for _ in range(6)] == [0, 0, 0, 4_000, 4_000, 4_000]


def test_the_wait_grows_and_is_told() -> None:
    clock = StandInClock()
    backoff = Backoff(clock.mono_ms)
    waits: list[int] = []
    while len(waits) < 10:
        wait_ms = backoff.begin("mara", KNOWN)
        if wait_ms:
            waits.append(wait_ms)
            clock.on(wait_ms)

    assert waits[:4] == [4_000, 8_000, 16_000, 32_000]
    assert waits[-1] == TEN_MINUTES_MS


def test_success_and_a_day_without_a_try_wipe_the_slate() -> None:
    clock = StandInClock()
    backoff = Backoff(clock.mono_ms)
    for _ in range(3):
        backoff.begin("mara", KNOWN)
    assert backoff.begin("mara", KNOWN) > 0

    backoff.succeeded("mara")
    assert backoff.begin("mara", KNOWN) == 0
    for _ in range(3):
        backoff.begin("mara", KNOWN)
    clock.on(86_400_001)
    assert [backoff.begin("mara", KNOWN) for _ in range(3)] == [0, 0, 0]


def test_one_name_under_attack_does_not_slow_another() -> None:
    clock = StandInClock()
    backoff = Backoff(clock.mono_ms)
    for _ in range(10):
        backoff.begin("mara", KNOWN)

    assert backoff.begin("jory", frozenset({"mara", "jory"})) == 0


def test_a_flood_of_made_up_names_is_bounded_and_frees_no_real_one() -> None:
    clock = StandInClock()
    backoff = Backoff(clock.mono_ms)
    for _ in range(5):
        backoff.begin("mara", KNOWN)
    for number in range(STRANGERS_MAX + 500):
        backoff.begin(f"stranger {number}", KNOWN)

    assert backoff.begin("mara", KNOWN) > 0
    assert len(backoff._strangers) == STRANGERS_MAX
