"""A small disk filled at drawn moments under a running show: it plays on, says so, and recovers.

While it is full the broker is killed and must come back; every other time the server is killed and
must start. What is lost is no more than the boards' counters say, and nothing is half written.
"""

import json
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from haunt.core.dice import draw
from tests.soak import ledger
from tests.soak.garden import until
from tests.soak.outcome import PATIENCE, Outcome
from tests.soak.stop import BACK_S, BOARDS, VISITS_A_SECOND, Yard
from tests.system.test_people import asked

PLAYS_S = 3.0
SAID_S = 5.0
RECOVERS_S = 10.0
FULL_S = 6.0
BEFORE_MS = 1500
LOOK_S = 0.05
ROOM_MAX_NS = 60 * 10**9


def run(count: int, seed: int, folder: Path, *, limits: float = 1.0) -> Outcome:
    """`limits` stretches the deadlines that people feel."""
    outcome = Outcome()
    with Yard(folder) as yard:
        yard.server.told("people", "add", "Ines", "--role", "owner")  # else a start makes a link
        yard.crowd.tell(f"storm {VISITS_A_SECOND}")
        for number in PATIENCE.numbers(count):
            time.sleep(draw(seed, f"full {number}", BEFORE_MS) / 1000)
            _fill_up(yard, number, limits, outcome)
            _recovers(yard, limits, outcome)
        yard.crowd.tell("calm")
        time.sleep(6)  # every board tells its counters
        _nothing_is_half_written(yard.server.data, outcome)
        found = ledger.read(yard.server.data)
        ledger.compare(found, outcome, may_miss=sum(each.counted for each in found))
    return outcome


def _fill_up(yard: Yard, number: int, limits: float, outcome: Outcome) -> None:
    process = yard.server.process
    assert process is not None
    filled_ns = time.monotonic_ns()
    with yard.disk.full(process.pid):
        outcome.injected["disk full"] += 1
        outcome.expect(not yard.disk.has_room(process.pid), "there was room")
        _starts(yard, filled_ns, PLAYS_S * limits, "the disk full", outcome)
        _says_so(yard, filled_ns, SAID_S * limits, outcome)
        if number % 2 == 0:
            _broker_killed(yard, outcome)
        else:
            _server_killed(yard, outcome)
        time.sleep(max(0.0, FULL_S - (time.monotonic_ns() - filled_ns) / 1e9))


def _starts(yard: Yard, since_ns: int, within_s: float, when: str, outcome: Outcome) -> None:
    try:
        until(
            lambda: {each["board"] for each in yard.crowd.starts(since_ns)} == set(BOARDS),
            f"starts with {when}",
            within_s,
        )
    except TimeoutError:
        boards = {each["board"] for each in yard.crowd.starts(since_ns)}
        outcome.failures.append(f"with {when} only {len(boards)} boards started anything")


def _says_so(yard: Yard, filled_ns: int, within_s: float, outcome: Outcome) -> None:
    """Counted from the newest motion that was kept: the log has room of its own for a while."""
    data, until_ns = yard.server.data, filled_ns + ROOM_MAX_NS
    while "journal" not in faults(yard):
        if _newest_age_ms(data) > within_s * 1000:
            outcome.failures.append(f"after {within_s:.0f} s nobody said that the journal fails")
            break
        if time.monotonic_ns() > until_ns:
            outcome.noted["fillings through which the log had room of its own"] += 1
            return
        time.sleep(LOOK_S)
    most = "longest from the newest motion kept until it was said, ms"
    outcome.noted[most] = max(outcome.noted[most], _newest_age_ms(data))


def _newest_age_ms(data: Path) -> int:
    with closing(sqlite3.connect(data / "haunt.db", timeout=10)) as connection:
        [newest] = connection.execute("SELECT max(at_ms) FROM motions").fetchone()
    return time.time_ns() // 1_000_000 - int(newest)


def faults(yard: Yard) -> dict[str, str]:
    """What /readyz names."""
    bearer = f"Bearer {yard.server.token}"
    told = json.loads(asked(yard.server, "/readyz", authorization=bearer).text)
    found: dict[str, str] = told["faults"]
    return found


def _broker_killed(yard: Yard, outcome: Outcome) -> None:
    outcome.injected["broker killed with the disk full"] += 1
    since_ns = time.monotonic_ns()
    yard.end("broker")
    try:
        yard.begin("broker")
        until(lambda: yard.server.metric("haunt_broker_up") == 1, "the broker", BACK_S)
        since_ns = time.monotonic_ns()
        _starts(yard, since_ns, BACK_S, "a new broker and the disk full", outcome)
    except TimeoutError as late:
        outcome.failures.append(f"killed with the disk full: {late}")


def _server_killed(yard: Yard, outcome: Outcome) -> None:
    outcome.injected["server killed with the disk full"] += 1
    yard.end("server")
    try:
        yard.begin("server")
    except AssertionError as fault:
        outcome.failures.append(f"with the disk full it does not start: {str(fault)[-300:]}")
        return
    _starts(yard, time.monotonic_ns(), BACK_S, "a new server and the disk full", outcome)


def _recovers(yard: Yard, limits: float, outcome: Outcome) -> None:
    freed_ns = time.monotonic_ns()
    if not yard.is_served:
        yard.begin("server")
    try:
        until(lambda: not faults(yard), "everything to be well", RECOVERS_S * limits)
        until(lambda: _commits(yard.server.data, freed_ns), "commits", RECOVERS_S * limits)
    except TimeoutError as late:
        outcome.failures.append(f"with room again: {late}")


def _commits(data: Path, since_ns: int) -> bool:
    """Whether a motion of now is in the journal."""
    return _newest_age_ms(data) < (time.monotonic_ns() - since_ns) // 1_000_000


def _nothing_is_half_written(data: Path, outcome: Outcome) -> None:
    with closing(sqlite3.connect(data / "haunt.db", timeout=10)) as connection:
        [said] = connection.execute("PRAGMA integrity_check").fetchone()
        [lone] = connection.execute(
            "SELECT count(*) FROM motions m WHERE NOT EXISTS "
            "(SELECT 1 FROM events e WHERE e.number = m.number)"
        ).fetchone()
    outcome.expect(said == "ok", f"integrity: {said}")
    outcome.expect(not lone, f"{lone} motions without their event")
