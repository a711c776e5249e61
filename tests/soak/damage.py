"""Bytes flipped, pages zeroed, files cut, in the database, its log and its shared memory.

Every start must find a state to go on from within ten seconds, and say so where anything is
missing. A changed letter within a text is not seen by SQLite, which keeps no sums of pages: such
are counted here as altered unseen.
"""

import shutil
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from haunt.bootstrap import keeping
from haunt.bootstrap.mending import make_ready
from haunt.core.dice import draw
from haunt.store.rescue import SET_ASIDE
from tests.soak.outcome import Outcome
from tests.store.nights import SHOW, config_of, lay, state_of
from tests.system.house import Server

START_MAX_S = 10.0
FILES = ("haunt.db", "haunt.db-wal", "haunt.db-shm")
KINDS = ("byte flipped", "eight bytes of chance", "page zeroed", "cut short", "page of another")
PAGE = 4096
LATE_COUNT = 40
SERVED_EVERY = 49  # no multiple of the kinds
LATE = "settings"  # rows after the backup, in the log when the server was killed


def run(count: int, seed: int, folder: Path) -> Outcome:
    outcome, night = Outcome(), _night(folder)
    whole = _contents(night / "data")
    for number in range(count):
        work = folder / "work"
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(night, work)
        name = FILES[draw(seed, f"file {number}", len(FILES))]
        kind = KINDS[number % len(KINDS)]
        _spoil(work / "data" / name, kind, seed, number)
        outcome.injected[f"{name}: {kind}"] += 1
        _start(work / "data", f"{name}: {kind} ({number})", whole, outcome)
        if number % SERVED_EVERY == SERVED_EVERY - 1:
            _serve(work / "data", f"{name}: {kind} ({number})", outcome)
    return outcome


def _serve(data: Path, what: str, outcome: Outcome) -> None:
    """The real server on what is left; after a loss it must be stopped."""
    show = data.with_name("show.toml")
    show.write_text(SHOW)
    server = Server(data, show)
    was_lost = (data / SET_ASIDE).exists()
    try:
        server.start()
        outcome.expect(server.started_s < START_MAX_S, f"{what}: it took {server.started_s:.1f} s")
        stopped = server.metric("haunt_stopped") == 1
        outcome.expect(stopped or not was_lost, f"{what}: it runs as if nothing were lost")
    except AssertionError as fault:
        outcome.failures.append(f"{what}: the server does not start: {str(fault)[-300:]}")
    finally:
        if server.process is not None and server.process.poll() is None:
            server.end()
    outcome.noted["of them started as a real server"] += 1


def _night(folder: Path) -> Path:
    """A folder with a backup and, after it, a log that was never brought in."""
    laid, night = folder / "laid", folder / "night"
    config = config_of(laid / "data")
    lay(config)
    keeping.back_up(config)
    with closing(sqlite3.connect(laid / "data" / "haunt.db")) as connection:
        connection.execute("PRAGMA wal_autocheckpoint=0")
        for number in range(1, LATE_COUNT + 1):
            connection.execute(
                "INSERT INTO settings (key, value) VALUES (?, 'late')", (f"z{number:03}",)
            )
            connection.commit()
        shutil.copytree(laid, night)
    return night


def _spoil(path: Path, kind: str, seed: int, number: int) -> None:
    raw = bytearray(path.read_bytes())
    at = draw(seed, f"at {number}", len(raw))
    page = at - at % PAGE
    if kind == "byte flipped":
        raw[at] ^= 1 << draw(seed, f"bit {number}", 8)
    elif kind == "eight bytes of chance":
        raw[at : at + 8] = draw(seed, f"word {number}", 1 << 63).to_bytes(8, "big")[: len(raw) - at]
    elif kind == "page zeroed":
        raw[page : page + PAGE] = b"\0" * len(raw[page : page + PAGE])
    elif kind == "cut short":
        del raw[at:]
    else:
        other = draw(seed, f"other {number}", len(raw) // PAGE) * PAGE
        raw[page : page + PAGE] = raw[other : other + PAGE]
    path.write_bytes(raw)


def _start(data: Path, what: str, whole: dict[str, list[object]], outcome: Outcome) -> None:
    config, said = config_of(data), list[str]()
    began = time.monotonic()
    try:
        make_ready(config, said.append)
        state_of(config)
    except Exception as fault:  # noqa: BLE001 - whatever it is, it would be a crash loop
        outcome.failures.append(f"{what}: no start: {type(fault).__name__}: {fault}"[:300])
        return
    took_s = time.monotonic() - began
    outcome.expect(took_s < START_MAX_S, f"{what}: the start took {took_s:.1f} s")
    slowest = "slowest start, ms"
    outcome.noted[slowest] = max(outcome.noted[slowest], round(1000 * took_s))
    _judge(what, whole, _contents(data), "".join(said), outcome)


def _judge(
    what: str,
    whole: dict[str, list[object]],
    found: dict[str, list[object]],
    said: str,
    outcome: Outcome,
) -> None:
    if said:
        kinds = ("backup", "earlier snapshot", "show alone", "of the log")
        name = next((each for each in kinds if each in said), "other")
        outcome.noted[f"told: {name}"] += 1
    elif found == whole:
        outcome.noted["no harm done"] += 1
    elif all(len(found[table]) == len(whole[table]) for table in whole):
        outcome.noted["altered unseen: same rows, other content"] += 1
    elif found["alerts"] == whole["alerts"][: len(found["alerts"])] and _rest(found) == _rest(
        whole
    ):
        lost = len(whole["alerts"]) - len(found["alerts"])
        one = lost == 1
        outcome.noted[f"the log ended early, {'one commit' if one else 'several'}, unseen"] += 1
    else:
        outcome.failures.append(f"{what}: rows are missing and nothing was said")


def _rest(contents: dict[str, list[object]]) -> dict[str, list[object]]:
    return {name: rows for name, rows in contents.items() if name != LATE}


def _contents(data: Path) -> dict[str, list[object]]:
    """Every row, read from a copy so that nothing is brought in."""
    copy = data.with_name("read")
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    for name in FILES[:2]:
        if (data / name).exists():
            shutil.copy(data / name, copy / name)
    with closing(sqlite3.connect(copy / "haunt.db")) as connection:
        connection.text_factory = bytes
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        return {
            name.decode(): connection.execute(f'SELECT * FROM "{name.decode()}"').fetchall()
            for (name,) in names
            if name != b"alembic_version"
        }
