"""What goes on in the database beside a night: backups, checkpoints, somebody who reads long."""

import multiprocessing as mp
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Final, NamedTuple

from haunt.bootstrap.keeping import back_up
from haunt.config import read_config

PAUSE_S = 0.1
CHECKPOINT_EVERY_S = 1.0
HELD_S = 20.0
BUSY_S = 0.1


class Pace(NamedTuple):
    """How often: seconds from one backup's beginning to the next, and between reads that are held.

    Who reads at every instant keeps the log from beginning anew, and no writer can help it.
    """

    backups_s: float = 0.5
    rest_s: float = 2.0


AS_HARD_AS_CAN_BE: Final = Pace()
FOR_HOURS: Final = Pace(60.0, 10.0)
"""Sixty times as many backups as the server makes, a slow download two thirds of the time."""


def _back_up(data: Path, pace: Pace, ending: Event, made: "mp.Queue[int]") -> None:
    config, count, took_s = read_config(data, {}, {}), 0, 0.0
    while not ending.wait(max(PAUSE_S, pace.backups_s - took_s)):
        began_s = time.monotonic()
        back_up(config)
        count, took_s = count + 1, time.monotonic() - began_s
    made.put(count)


def _check_points(database: Path, _pace: Pace, ending: Event, made: "mp.Queue[int]") -> None:
    """As often as asked; one that a reader bars is tried again at the next turn."""
    whole = 0
    with closing(sqlite3.connect(database, timeout=BUSY_S, isolation_level=None)) as connection:
        while not ending.wait(CHECKPOINT_EVERY_S):
            [barred, _log, _moved] = connection.execute(
                "PRAGMA wal_checkpoint(TRUNCATE)"
            ).fetchone()
            whole += not barred
    made.put(whole)


def _read_long(database: Path, pace: Pace, ending: Event, made: "mp.Queue[int]") -> None:
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
            ending.wait(pace.rest_s)
    made.put(held)


@contextmanager
def busy_store(data: Path, pace: Pace = AS_HARD_AS_CAN_BE) -> Iterator[dict[str, int]]:
    """Do all three until the end of the block; then the counts are filled in."""
    counts: dict[str, int] = {}
    ending = mp.Event()
    jobs = {"backups": (_back_up, data), "checkpoints": (_check_points, data / "haunt.db")}
    jobs["reads held"] = (_read_long, data / "haunt.db")
    running = []
    for name, (job, path) in jobs.items():
        made: mp.Queue[int] = mp.Queue()
        process = mp.Process(target=job, args=(path, pace, ending, made), daemon=True)
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
