"""What goes on in the database beside a night: backups, checkpoints, somebody who reads long."""

import multiprocessing as mp
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from multiprocessing.synchronize import Event
from pathlib import Path

from haunt.bootstrap.keeping import back_up
from haunt.config import read_config

PAUSE_S = 0.5
CHECKPOINT_EVERY_S = 1.0
HELD_S = 20.0
BUSY_S = 0.1


def _back_up(data: Path, ending: Event, made: "mp.Queue[int]") -> None:
    """Half of the time at most: who reads at every instant keeps the log from beginning anew."""
    config, count, took_s = read_config(data, {}, {}), 0, 0.0
    while not ending.wait(max(PAUSE_S, took_s)):
        began_s = time.monotonic()
        back_up(config)
        count, took_s = count + 1, time.monotonic() - began_s
    made.put(count)


def _check_points(database: Path, ending: Event, made: "mp.Queue[int]") -> None:
    """As often as asked; one that a reader bars is tried again at the next turn."""
    whole = 0
    with closing(sqlite3.connect(database, timeout=BUSY_S, isolation_level=None)) as connection:
        while not ending.wait(CHECKPOINT_EVERY_S):
            [barred, _log, _moved] = connection.execute(
                "PRAGMA wal_checkpoint(TRUNCATE)"
            ).fetchone()
            whole += not barred
    made.put(whole)


def _read_long(database: Path, ending: Event, made: "mp.Queue[int]") -> None:
    """Hold one instant of the database for as long as a slow download would."""
    held = 0
    path = f"file:{database}?mode=ro"
    with closing(sqlite3.connect(path, uri=True, isolation_level=None)) as connection:
        while not ending.is_set():
            connection.execute("BEGIN")
            connection.execute("SELECT count(*) FROM settings").fetchone()
            ending.wait(HELD_S)
            connection.execute("ROLLBACK")
            held += 1
            ending.wait(2 * CHECKPOINT_EVERY_S)
    made.put(held)


@contextmanager
def busy_store(data: Path) -> Iterator[dict[str, int]]:
    """Do all three until the end of the block; then the counts are filled in."""
    counts: dict[str, int] = {}
    ending = mp.Event()
    jobs = {"backups": (_back_up, data), "checkpoints": (_check_points, data / "haunt.db")}
    jobs["reads held"] = (_read_long, data / "haunt.db")
    running = []
    for name, (job, path) in jobs.items():
        made: mp.Queue[int] = mp.Queue()
        process = mp.Process(target=job, args=(path, ending, made), daemon=True)
        process.start()
        running.append((name, process, made))
    try:
        yield counts
        ending.set()
        for name, _process, made in running:
            counts[name] = made.get(timeout=60)
    finally:
        ending.set()
        for _name, process, _made in running:
            process.join(5)
            process.kill()
