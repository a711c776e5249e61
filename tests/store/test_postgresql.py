"""Goal: PostgreSQL keeps what it is told through a crash, and nobody waits for it for ever.

Method: a server of the test session; one of the test's own where it is stopped as if the power
went, or frozen.
"""

import os
import signal
import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest
from sqlalchemy import Engine, text

from haunt.live.ports import ActionRow, HealthRow, Record, ReportRow
from haunt.store import patience
from haunt.store.engines import open_engines
from haunt.store.journal import SqlJournal
from haunt.store.ledger import Ledger
from haunt.store.people import PeopleStore
from haunt.store.reader import Reader
from haunt.store.refusal import StoreRefused
from haunt.store.revision import HEAD, revision
from haunt.store.roster import Link
from haunt.store.schema import upgrade
from haunt.store.writer import Writer
from tests import cluster
from tests.cluster import Cluster
from tests.core.stage import BOOT, EVENING
from tests.soak import immediate
from tests.store.stage import Heard, Opened, bare_url_of, record

BATCH = 40


@pytest.fixture
def own() -> Iterator[Cluster]:
    with cluster.of_its_own() as found:
        yield found


def setting(engine: Engine, name: str) -> object:
    with engine.connect() as connection:
        return connection.execute(text(f"SHOW {name}")).scalar()


def test_a_commit_that_was_told_waits_for_the_log_and_no_statement_for_ever(
    on_server: Opened,
) -> None:
    assert setting(on_server.writing, "synchronous_commit") == "on"
    assert setting(on_server.writing, "statement_timeout") == "10s"
    assert setting(on_server.writing, "lock_timeout") == "5s"
    reading = on_server.reader._engine
    assert setting(reading, "default_transaction_read_only") == "on"
    assert setting(reading, "statement_timeout") == "10s"


def test_stopped_as_if_the_power_went_it_has_all_that_was_told_and_nothing_twice(
    tmp_path: Path,
) -> None:
    outcome = immediate.run(2, 1, tmp_path)

    assert outcome.failures == []
    assert outcome.injected == {"PostgreSQL stopped at once": 2}
    assert outcome.noted["records told to be kept"] > 40


def test_a_server_that_is_away_holds_nobody_up_and_the_queue_stays_bounded(own: Cluster) -> None:
    writing, reading = open_engines(Path(), own.url(own.fresh()))
    upgrade(writing)
    heard, journal = Heard(), SqlJournal(writing, queue_max=50, give_up_s=600)
    journal.start(heard)
    journal.put(record(1))
    heard.wait_for(kept=1)

    own.stop()
    taken = [journal.put(record(number)) for number in range(2, 502)]
    with pytest.raises(StoreRefused, match="does not answer"):
        Reader(reading).last_number()
    with pytest.raises(StoreRefused, match="could not be kept"):
        Writer(writing).save_setting("key", "x")
    own.start()
    heard.wait_for(kept=1 + sum(taken))
    journal.close()

    assert 50 <= sum(taken) < 500
    assert journal.counts().lost == 500 - sum(taken)
    assert Reader(reading).counted() == {("b1", BOOT): 1 + sum(taken)}
    writing.dispose()
    reading.dispose()


def test_a_server_that_is_frozen_is_given_up_in_seconds_and_another_line_opened(
    own: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience.PatientConnection, "patience_s", 0.5)
    url = own.url(own.fresh())
    writing, reading = open_engines(Path(), url + "?connect_timeout=2")
    upgrade(writing)
    with writing.connect() as kept:
        kept.execute(text("SELECT 1"))
        frozen = [own.pid(), *children(own.pid())]
        for each in frozen:
            os.kill(each, signal.SIGSTOP)
        try:
            with pytest.raises(Exception, match=r"did not answer within 0\.5 s"):
                kept.execute(text("SELECT 2"))
        finally:
            for each in frozen:
                os.kill(each, signal.SIGCONT)

    assert Reader(reading).last_number() == 0
    assert Writer(writing).save_show("text", "mara", 1) == 1
    writing.dispose()
    reading.dispose()


def children(pid: int) -> list[int]:
    told = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=True)
    return [int(each) for each in told.stdout.split()]


def test_what_a_board_says_costs_no_record_whatever_it_is(on_server: Opened) -> None:
    odd = Record(
        1,
        1,
        EVENING,
        health=HealthRow("b1", BOOT, 1, 2**53, None, -61, "soft", {}, {}),
        report=ReportRow("b1", "c" * 500, BOOT, "refused", "why\0not"),
        action=ActionRow("ü" * 300, "w" * 300, "a" * 300),
    )
    ledger = Ledger(on_server.writing)
    ledger.write([odd])
    ledger.close()

    assert on_server.ask("SELECT battery_mv FROM health") == [(2**53,)]
    assert on_server.ask("SELECT why FROM reports") == [("why\N{REPLACEMENT CHARACTER}not",)]
    assert on_server.ask('SELECT length("by"), length(about) FROM actions') == [(300, 300)]


def test_a_database_that_cannot_keep_every_name_is_refused_in_words() -> None:
    shared = cluster.shared()
    shared.tell("DROP DATABASE IF EXISTS plain")
    shared.tell(
        "CREATE DATABASE plain ENCODING 'SQL_ASCII' LC_COLLATE 'C' LC_CTYPE 'C' "
        "LOCALE_PROVIDER libc TEMPLATE template0"
    )
    writing, reading = open_engines(Path(), shared.url("plain"))

    with pytest.raises(StoreRefused, match=r"keeps text as SQL_ASCII.*createdb --encoding UTF8"):
        upgrade(writing)
    writing.dispose()
    reading.dispose()


@pytest.mark.parametrize("host", ["127.0.0.1:1", "nowhere.invalid"])
def test_a_server_that_is_not_there_is_said_without_the_password(host: str) -> None:
    writing, reading = open_engines(Path(), f"postgresql://jo:hush@{host}/x")

    with pytest.raises(StoreRefused, match="cannot be used") as refused:
        upgrade(writing)

    assert "hush" not in str(refused.value)
    writing.dispose()
    reading.dispose()


def test_two_that_start_at_once_on_an_empty_database_make_it_once() -> None:
    url, together = bare_url_of("postgresql"), Barrier(2)

    def start() -> str | None:
        writing, reading = open_engines(Path(), url)
        together.wait(10)
        upgrade(writing)
        found = revision(writing)
        writing.dispose()
        reading.dispose()
        return found

    with ThreadPoolExecutor(2) as pool:
        assert [each.result(60) for each in (pool.submit(start), pool.submit(start))] == [HEAD] * 2


def test_of_two_servers_that_set_up_at_once_one_makes_the_link(on_server: Opened) -> None:
    store, together = PeopleStore(on_server.writing, on_server.writing), Barrier(4)

    def set_up(number: int) -> None:
        together.wait(10)
        link = Link(0, f"{number}", "set-up", "owner", None, 1, 2**60, 1, "start")
        store.set_up_link(link, if_ownerless=True)

    with ThreadPoolExecutor(4) as pool:
        for each in [pool.submit(set_up, number) for number in range(4)]:
            each.result(30)

    assert on_server.ask("SELECT count(*) FROM links") == [(1,)]
