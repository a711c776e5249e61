"""The disk says no at every n-th write of a run of 500 events: nothing half written, all told.

In a process of its own the kernel refuses to let any file grow beyond a size (RLIMIT_FSIZE), which
SQLite hears as a failed write; one page further each time, so that each write is once the first to
fail. Then the room is given back, and the journal must go on by itself.
"""

import json
import resource
import shutil
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

from sqlalchemy import event

from haunt.core.dice import draw
from haunt.store.engines import Engine, open_engines
from haunt.store.journal import SqlJournal
from haunt.store.schema import upgrade
from tests.soak.outcome import Outcome
from tests.store.stage import Heard, record

EVENTS = 500
BATCH = 5
HEAD_BYTES = 32  # of the log
STEP_BYTES = 4096 + 24  # a page and its frame's head in the log
GIVE_UP_S = 0.02


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Fail at `count` places: all there are, or so many drawn of them."""
    told = subprocess.run(
        [sys.executable, "-m", "tests.soak.disk", str(folder), str(count), str(seed)],
        capture_output=True,
        text=True,
        check=False,
    )
    outcome = Outcome()
    if told.returncode:
        outcome.failures.append(told.stderr[-500:])
        return outcome
    for line in told.stdout.splitlines():
        found = json.loads(line)
        outcome.injected["first failing write, one place each"] += 1
        outcome.noted["writes that failed"] += found["failed"]
        outcome.expect(found["failed"], f"at {found['limit']} bytes: no write failed")
        outcome.noted["events told to be kept"] += found["kept"]
        outcome.noted["events told to be lost"] += found["lost"]
        outcome.noted["events held up until there was room"] += found["held_up"]
        outcome.failures += [f"at {found['limit']} bytes: {each}" for each in found["faults"]]
    return outcome


def _main(folder: Path, count: int, seed: int) -> None:
    """In the child. Every night begins with the same new database, made once."""
    template = folder / "new"
    _make_new(template)
    places = _places(folder, template)
    if count < len(places):
        places = [places[draw(seed, f"disk {n}", len(places))] for n in range(count)]
    data = folder / "night"
    for limit in places:
        print(json.dumps(_night(template, data, limit)), flush=True)
        shutil.rmtree(data)


def _make_new(data: Path) -> None:
    writing, reading = open_engines(data)
    upgrade(writing)
    writing.dispose()
    reading.dispose()


def _places(folder: Path, template: Path) -> list[int]:
    """Return every size at which a write of the run begins, so that it is the first to fail."""
    data = folder / "measured"
    journal, heard, writing = _begin(template, data)
    for first in range(1, EVENTS + 1, BATCH):
        _put(journal, range(first, first + BATCH))
        heard.wait_for(kept=first + BATCH - 1)
    size = (data / "haunt.db-wal").stat().st_size
    journal.close()
    writing.dispose()
    return list(range(HEAD_BYTES, size, STEP_BYTES))


def _begin(template: Path, data: Path) -> tuple[SqlJournal, Heard, Engine]:
    shutil.copytree(template, data)
    writing, _reading = open_engines(data)
    journal, heard = SqlJournal(writing, give_up_s=GIVE_UP_S), Heard()
    journal.start(heard)
    return journal, heard, writing


def _put(journal: SqlJournal, numbers: range) -> None:
    for number in numbers:
        journal.put(record(number))


def _night(template: Path, data: Path, limit: int) -> dict[str, object]:
    journal, heard, writing = _begin(template, data)
    held_up, failed = 0, list[object]()
    event.listen(writing, "handle_error", failed.append)
    _limit_to(limit)
    for first in range(1, EVENTS + 1, BATCH):
        _put(journal, range(first, first + BATCH))
        settled = len(heard.kept) + len(heard.gone)
        if journal.counts().failing:
            _limit_to(resource.RLIM_INFINITY)
            held_up += first + BATCH - 1 - settled
        heard_all = first + BATCH - 1
        _wait(heard, heard_all)
    _limit_to(resource.RLIM_INFINITY)
    _put(journal, range(EVENTS + 1, EVENTS + 2))
    _wait(heard, EVENTS + 1)
    journal.close()
    writing.dispose()
    return {
        "limit": limit,
        "kept": len(heard.kept),
        "lost": len(heard.gone),
        "held_up": held_up,
        "failed": len(failed),
        "faults": _faults(data, heard, journal),
    }


def _wait(heard: Heard, settled: int) -> None:
    """Until so many have been told of; while nothing moves, there is room again after a while."""
    waiting = threading.Event()
    for _ in range(20_000):
        if len(heard.kept) + len(heard.gone) >= settled:
            return
        waiting.wait(0.0005)
    raise TimeoutError(f"{settled} were put, {len(heard.kept)} kept, {len(heard.gone)} lost")


def _limit_to(size: int) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))


def _faults(data: Path, heard: Heard, journal: SqlJournal) -> list[str]:
    faults = []
    with closing(sqlite3.connect(data / "haunt.db")) as connection:
        [said] = connection.execute("PRAGMA integrity_check").fetchone()
        there = {
            table: [row[0] for row in connection.execute(f"SELECT number FROM {table}")]
            for table in ("events", "motions", "decisions")
        }
    if said != "ok":
        faults.append(f"integrity: {said}")
    for table, numbers in there.items():
        if sorted(numbers) != sorted(heard.kept):
            faults.append(f"{table}: {len(numbers)} rows, {len(heard.kept)} told to be kept")
    if sorted([*heard.kept, *heard.gone]) != list(range(1, EVENTS + 2)):
        faults.append("an event was told of twice or never")
    if EVENTS + 1 not in heard.kept:
        faults.append("with room again the journal did not go on")
    if journal.counts().lost != len(heard.gone):
        faults.append("the count of the lost is wrong")
    return faults


if __name__ == "__main__":
    _main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
