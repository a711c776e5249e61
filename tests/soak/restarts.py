"""Ended by SIGTERM under load with fifty streams open, and begun again: soon, and as it was.

What is as it was is compared field by field: the last snapshot before the end with the first one
after the start. Whatever differs must be named in CHANGES.
"""

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from haunt.core.dice import draw
from tests.soak import ledger, siege
from tests.soak.garden import until
from tests.soak.outcome import PATIENCE, Outcome
from tests.soak.stop import BOARDS, VISITS_A_SECOND, Yard

STREAMS = 50
END_S = START_S = 5.0
LOAD_S = 1.0
HELD_MAX = 40
"""Motions that a board's outbox holds beside its reports (64 in all); older ones it lets go."""
TOO_LONG = "times away for longer than boards' outboxes hold"

CHANGES = (
    *("night.now_ms", "night.offset_ms", "night.epoch", "night.link_up"),
    *("night.arrivals", "night.owed", "night.refused", "night.lapsed", "night.fired"),
    *("night.duplicates", "night.odd_reports"),
    *("boards.*.here", "boards.*.booted_ms", "boards.*.gone_ms", "boards.*.seen.*", "strangers.*"),
    *("sensors.*.last_seen_ms", "sensors.*.last_accepted_ms", "sensors.*.lull_from_ms"),
    *("sensors.*.recent_*", "sensors.*.active_ms", "items"),
)
"""Time goes on, an epoch is over, boards come back, and motions waited in the broker."""
CHANGES_WHILE_IT_RUNS = (
    *("props.*.play*", "props.*.last_*", "props.*.starts_ms", "props.*.claim_until_ms"),
    *("props.*.spread_ms", "props.*.on_*"),
)
"""Those motions may also start something, and what played has ended."""


def run(
    count: int, seed: int, folder: Path, *, end_s: float = END_S, start_s: float = START_S
) -> Outcome:
    outcome = Outcome()
    with Yard(folder) as yard:
        yard.crowd.tell(f"storm {VISITS_A_SECOND}")
        for number in PATIENCE.numbers(count):
            is_stopped = _arrange(yard, seed, number)
            _end_and_begin(yard, is_stopped, end_s, start_s, outcome)
        yard.crowd.tell("calm")
        _settle(yard)
        found = ledger.read(yard.server.data)
        may_miss = sum(each.counted for each in found) if outcome.noted[TOO_LONG] else 0
        ledger.compare(found, outcome, may_miss=may_miss)
    return outcome


def _arrange(yard: Yard, seed: int, number: int) -> bool:
    """Let people do things that a restart must remember; stopped every other time."""
    server, board = yard.server, BOARDS[draw(seed, f"board {number}", len(BOARDS))]
    server.ask("POST", f"/api/v1/props/{board}-prop/hold")
    server.ask("POST", f"/api/v1/sensors/{board}-mat/mute", {"for_s": 600})
    server.ask("PATCH", f"/api/v1/props/{board}-prop", {"cooldown_s": draw(seed, board, 9)})
    server.ask("POST", "/api/v1/hold" if number % 3 == 0 else "/api/v1/release")
    is_stopped = number % 2 == 1
    if is_stopped:
        server.ask("POST", "/api/v1/stop")
    elif yard.is_stopped():
        yard.release()  # and wait: one that is under way ends with the server
        until(lambda: not yard.is_stopped(), "the release")
    time.sleep(LOAD_S)
    return is_stopped


def _end_and_begin(
    yard: Yard, is_stopped: bool, end_s: float, start_s: float, outcome: Outcome
) -> None:
    server, since_ns = yard.server, time.monotonic_ns()
    with siege.frozen_phones(server, STREAMS) as phones:
        until(lambda: server.metric("haunt_streams") == STREAMS, "the streams")
        took_s = server.end()
        assert server.process is not None
        outcome.expect(server.process.returncode == 0, f"it ended with {server.process.returncode}")
        outcome.expect(all(_is_closed(each) for each in phones), "a stream was left open")
    outcome.injected[f"ended with {STREAMS} streams, {'stopped' if is_stopped else 'running'}"] += 1
    outcome.expect(took_s <= end_s, f"it took {took_s:.1f} s to end")
    before = newest(server.data)
    outcome.expect(before["is_last"], "something was written after the last snapshot")
    server.start()
    outcome.expect(server.started_s <= start_s, f"it took {server.started_s:.1f} s to start")
    for name, value_s in (("end", took_s), ("start", server.started_s)):
        most = f"longest {name}, ms"
        outcome.noted[most] = max(outcome.noted[most], round(1000 * value_s))
    after = until(lambda: first_after(server.data, before["number"]), "the first snapshot")
    allowed = CHANGES if is_stopped else (*CHANGES, *CHANGES_WHILE_IT_RUNS)
    for path in unexpected(before["memory"], after, allowed):
        outcome.failures.append(f"after a restart {path} is another")
    outcome.noted["fields compared"] += len(dict(leaves(after)))
    outcome.expect(after["night"]["epoch"] > before["memory"]["night"]["epoch"], "no new epoch")
    outcome.expect(after["night"]["stopped"] is is_stopped, "it is not stopped as it was")
    yard.await_all(since_ns)
    away_s = (time.monotonic_ns() - since_ns) / 1e9
    outcome.noted[TOO_LONG] += away_s * VISITS_A_SECOND > HELD_MAX


def unexpected(
    before: dict[str, Any], after: dict[str, Any], allowed: tuple[str, ...] = CHANGES
) -> list[str]:
    """Return every field that differs, or is there only once, and may not."""
    old, new = dict(leaves(before)), dict(leaves(after))
    differ = [each for each in {**old, **new} if old.get(each) != new.get(each)]
    return [each for each in differ if not any(fnmatch(each, name) for name in allowed)]


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield each field by its path; a list is one."""
    if isinstance(value, dict) and value:
        for key, each in value.items():
            yield from leaves(each, f"{path}.{key}" if path else str(key))
    else:
        yield path, value


def newest(data: Path) -> dict[str, Any]:
    with closing(sqlite3.connect(data / "haunt.db")) as connection:
        number, body = connection.execute(
            "SELECT number, body FROM snapshots ORDER BY number DESC LIMIT 1"
        ).fetchone()
        [last] = connection.execute("SELECT number FROM journal_end").fetchone()
    return {"number": number, "memory": json.loads(body), "is_last": last == number}


def first_after(data: Path, number: int) -> dict[str, Any] | None:
    with closing(sqlite3.connect(data / "haunt.db", timeout=10)) as connection:
        row = connection.execute(
            f"SELECT body FROM snapshots WHERE number > {number} ORDER BY number LIMIT 1"
        ).fetchone()
    found: dict[str, Any] | None = json.loads(row[0]) if row else None
    return found


def _is_closed(phone: Any) -> bool:
    phone.settimeout(5)
    try:
        while phone.recv(65_536):
            pass
    except TimeoutError:
        return False
    except OSError:  # reset: what it never read was in the way
        return True
    return True


def _settle(yard: Yard) -> None:
    """Until every board has told counters that are all in the journal, or a while has passed."""
    end = time.monotonic() + 15
    while time.monotonic() < end:
        time.sleep(1)
        found = ledger.read(yard.server.data)
        if found and all(not each.missing for each in found):
            time.sleep(6)  # every board tells its counters once more, the last motions among them
            return
