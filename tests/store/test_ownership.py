"""Goal: of several servers one runs the show, by the database's word; who lost it writes nothing.

Method: two of them on a database of the test session, step by step, each with a clock of its own;
silence is made by setting back what the row says.
"""

import fcntl
import json
import resource
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import psycopg
import pytest
from sqlalchemy import text

from haunt.store.ledger import Ledger
from haunt.store.ownership import FORCE_MS, LEASE_S, STEP, TAKE_MS, Lost, Ownership
from haunt.store.refusal import StoreRefused
from tests.store.stage import Opened, record

TRIES = 1000
LONG_S = 60.0


class Server:
    def __init__(self, database: Opened, name: str, place: str = "") -> None:
        self.now_s = 0.0
        self.database = database
        self.own = Ownership(database.url, f"http://{name}", place, name, lambda: self.now_s)

    def fall_silent(self, ms: int) -> None:
        """Be heard so long ago, as far as the database knows."""
        [(value,)] = self.database.ask("SELECT value FROM settings WHERE key = 'owner'")
        told = json.loads(value)
        told["at_ms"] -= ms
        with self.database.writing.begin() as connection:
            wanted = text("UPDATE settings SET value = :told WHERE key = 'owner'")
            connection.execute(wanted, {"told": json.dumps(told)})


@pytest.fixture
def pair(on_server: Opened) -> Iterator[tuple[Server, Server]]:
    found = Server(on_server, "one"), Server(on_server, "two")
    yield found
    for each in found:
        each.own.release()


Pair = tuple[Server, Server]


def guarded(pair: Pair) -> Pair:
    """The first runs the show and knows of the second."""
    first, second = pair
    first.own.step()
    second.own.step()
    first.own.step()
    return first, second


def reached(pair: Pair) -> Pair:
    """The second has said that the broker answers it, and the first has seen that."""
    first, second = pair
    second.own.reaches = lambda: True
    second.own.step()
    first.own.step()
    return first, second


def take(server: Server) -> None:
    """The silent one's lines are ended first, and with them its lock; the server does it soon."""
    for _ in range(TRIES):
        if server.own.owns:
            return
        server.own.step()
    raise AssertionError("it was not taken over from")


def test_the_first_runs_the_show_and_the_second_knows_who_does(pair: Pair) -> None:
    first, second = guarded(pair)

    assert (first.own.owns, second.own.owns) == (True, False)
    assert (first.own.holds(), second.own.holds()) == (True, False)
    owner = second.own.seen.owner
    assert owner is not None
    assert (owner.address, owner.guarded) == ("http://one", True)
    assert owner.age_ms < TAKE_MS
    standby = first.own.seen.standby
    assert standby is not None
    assert standby.address == "http://two"


def test_an_owner_that_was_not_confirmed_says_nothing_while_somebody_may_take_over(
    pair: Pair,
) -> None:
    first, _second = guarded(pair)
    first.now_s = LEASE_S - 0.01
    assert first.own.holds()

    first.now_s = LEASE_S
    assert not first.own.holds(), "frozen, or cut off from the database"

    first.own.step()
    assert first.own.holds(), "and it is confirmed again: nobody took over"


def test_an_owner_without_a_standby_goes_on_though_the_database_is_away(pair: Pair) -> None:
    first, _second = pair
    first.own.step()
    first.own.step()  # it begins as if there were one

    first.now_s = 10 * LEASE_S

    assert first.own.holds()


def test_who_fell_silent_is_taken_over_from_with_a_higher_epoch(pair: Pair) -> None:
    first, second = guarded(pair)
    before = first.own.fence
    first.fall_silent(TAKE_MS + 1)

    take(second)

    assert second.own.owns
    assert second.own.fence.epoch == before.epoch + STEP
    with pytest.raises(psycopg.OperationalError):
        first.own.step()  # its line is gone
    with pytest.raises(Lost):
        first.own.step()
    assert not first.own.owns
    first.own.step()
    owner = first.own.seen.owner
    assert owner is not None
    assert owner.address == "http://two"


def test_who_is_heard_is_not_taken_over_from_though_its_lock_is_free(pair: Pair) -> None:
    first, second = guarded(pair)
    first.own._drop()  # its line died, it did not

    second.own.step()
    assert not second.own.owns

    first.own.step()
    assert first.own.holds(), "it has the lock again, by another line"


def test_an_owner_that_never_heard_of_a_standby_is_given_longer(pair: Pair) -> None:
    first, second = pair
    first.own.step()
    first.own.step()
    first.fall_silent(TAKE_MS + 500)
    second.own.step()
    second.own.step()
    assert not second.own.owns, "its lock is there, and it promised nothing"

    first.fall_silent(FORCE_MS)
    take(second)
    assert second.own.owns


def test_an_orderly_end_leaves_the_show_to_the_other_at_once(pair: Pair) -> None:
    first, second = guarded(pair)
    first.own.release()

    second.own.step()

    assert second.own.owns


def test_the_owner_knows_whether_who_stands_by_reaches_the_broker(pair: Pair) -> None:
    first, _second = guarded(pair)
    assert first.own.heir() is None

    reached(pair)

    heir = first.own.heir()
    assert heir is not None
    assert heir.address == "http://two"


def test_who_gave_the_show_away_leaves_it_to_who_reaches_the_broker(pair: Pair) -> None:
    first, second = reached(guarded(pair))

    first.own.release()
    first.own.step()
    assert not first.own.owns, "it hears no broker, the other does"

    second.own.step()
    assert second.own.owns


def test_it_takes_the_show_back_where_nobody_else_reaches_the_broker(pair: Pair) -> None:
    first, _second = guarded(pair)

    first.own.release()
    first.own.step()

    assert first.own.owns


class Lingering(Ownership):
    """Its line is there for a while after it ended, as far as the database knows."""

    def _drop(self) -> None: ...

    def vanish(self) -> None:
        super()._drop()


def test_who_stands_by_is_told_of_an_orderly_end_and_finds_the_lock_free(
    pair: Pair, on_server: Opened
) -> None:
    first, second = pair
    first.own = lingering = Lingering(on_server.url, "http://one", token="one")
    guarded(pair)
    ours, theirs = socket.socketpair()
    began_s = time.monotonic()
    first.own.release()

    second.own.pause(ours, LONG_S)
    second.own.step()

    assert time.monotonic() - began_s < LONG_S / 2, "the word ends the pause"
    assert second.own.owns, "at the first look"
    lingering.vanish()
    ours.close()
    theirs.close()


@pytest.fixture
def many_files() -> Iterator[int]:
    """Let this process open so many files, and return a number that `select` cannot take."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(before[0], 2000), before[1]))
    yield 1500
    resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_a_pause_ends_where_the_server_ends_however_much_it_has_open(
    pair: Pair, many_files: int
) -> None:
    _first, second = guarded(pair)
    ours, theirs = socket.socketpair()
    high = socket.socket(fileno=fcntl.fcntl(ours, fcntl.F_DUPFD, many_files))
    theirs.send(b".")
    began_s = time.monotonic()

    second.own.pause(high, LONG_S)

    assert time.monotonic() - began_s < LONG_S / 2
    for each in (ours, theirs, high):
        each.close()


def test_a_server_started_again_on_the_same_folder_need_not_wait(on_server: Opened) -> None:
    killed, again = Server(on_server, "one", "here"), Server(on_server, "other", "here")
    elsewhere = Server(on_server, "two", "there")
    killed.own.step()
    killed.own._drop()

    elsewhere.own.step()
    assert not elsewhere.own.owns
    again.own.step()
    assert again.own.owns
    for each in (killed, again, elsewhere):
        each.own.release()


def test_the_journal_of_who_lost_the_show_writes_nothing(pair: Pair, on_server: Opened) -> None:
    first, second = guarded(pair)
    ledger = Ledger(on_server.writing, first.own.fence.text)
    ledger.write([record(1)])
    first.fall_silent(TAKE_MS + 1)
    take(second)

    with pytest.raises(StoreRefused, match="another server runs the show"):
        ledger.write([record(2)])
    newer = Ledger(on_server.writing, second.own.fence.text)
    newer.write([record(2, seq=7)])

    assert on_server.ask("SELECT number, seq FROM motions ORDER BY id") == [(1, 1), (2, 7)]
    ledger.close()
    newer.close()


def test_of_many_that_begin_at_once_one_runs_the_show(on_server: Opened) -> None:
    servers, together = [Server(on_server, f"s{n}") for n in range(6)], Barrier(6)

    def begin(server: Server) -> bool:
        together.wait(10)
        for _ in range(5):
            try:
                server.own.step()
            except psycopg.OperationalError:
                continue
        return server.own.owns

    with ThreadPoolExecutor(6) as pool:
        own = list(pool.map(begin, servers))

    assert sum(own) == 1
    for each in servers:
        each.own.release()
