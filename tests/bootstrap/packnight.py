"""A data folder with an evening of the garden's boards in it: packs that empty, restarts, motions.

Written straight into the tables, as the journal would have; nothing decides here.
"""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from haunt.core.dice import draw
from haunt.store.engines import open_engines
from haunt.store.schema import upgrade
from haunt.store.writer import Writer
from haunt.workshop.pack import open_circuit_mv

GARDEN = Path("haunt/examples/garden.toml")
FROM_MS = 1_793_375_100_000  # 2026-10-30T16:45:00+01:00
HOUR_MS = 3_600_000
EVERY_MS = 15_000
BOOT = "7f3a91c2d4"
PACKS = {"well": ("lipo", 2, 98, 12), "hedge": ("lifepo4", 4, 97, 6), "tree": ("lipo", 3, 62, 17)}
"""Chemistry, cells, percent at the start, and points an hour."""
SENSORS = {"well": "well-beam", "hedge": "hedge-radar", "tree": "tree-pir", "gate": "gate-pir"}
PROPS = {"well": "old-well", "hedge": "hedge-arm", "tree": "pear-owl", "gate": "gatekeeper"}
LOST = frozenset((31, 32, 57))
"""Numbers of the well's motions that never came."""


def lay(data: Path, hours: float = 4.0) -> None:
    """Fill a folder with what was kept up to `hours` after a quarter to five."""
    writing, reading = open_engines(data)
    upgrade(writing)
    Writer(writing).save_show(GARDEN.read_text(), "test", FROM_MS)
    writing.dispose()
    reading.dispose()
    with closing(sqlite3.connect(data / "haunt.db")) as connection:
        connection.executemany(
            "INSERT INTO health (at_ms, board, boot, up_ms, battery_mv, charge_percent, rssi,"
            " reset, starts, motions) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            sorted(_health(hours)),
        )
        connection.executemany(
            "INSERT INTO motions (number, at_ms, board, sensor, boot, seq, age_ms)"
            " VALUES (?, ?, ?, ?, ?, ?, 0)",
            sorted(_motions(hours)),
        )
        connection.executemany(
            "INSERT INTO decisions (number, at_ms, source, board, boot, seq, sensor, prop, outcome,"
            " reason, waited_ms) VALUES (?, ?, 'motion', ?, ?, ?, ?, ?, ?, ?, 0)",
            sorted(_decisions(hours)),
        )
        connection.commit()


def boot_of(board: str, at_ms: int) -> tuple[str, str, int]:
    """Return boot, its reset, and when it began. The tree browns out three times at half past six.

    Each of its later boots counts from nothing.
    """
    began = FROM_MS
    if board != "tree":
        return f"{BOOT}{'00' if board == 'well' else '01'}", "power-on", began
    broke = [FROM_MS + round(1.75 * HOUR_MS) + n * 120_000 for n in range(3)]
    past = [each for each in broke if each <= at_ms]
    name = f"{BOOT}a{len(past)}"
    return name, "brown-out" if past else "power-on", past[-1] if past else began


def _times(hours: float) -> Iterator[int]:
    yield from range(FROM_MS, FROM_MS + round(hours * HOUR_MS), EVERY_MS)


def _moved(board: str, began: int, at_ms: int) -> int:
    """How many motions a board has counted since its start: one every 40 s."""
    return max(0, (at_ms - began) // 40_000) if board in SENSORS else 0


def _health(hours: float) -> Iterator[tuple[object, ...]]:
    for at_ms in _times(hours):
        for board in ("gate", "well", "hedge", "tree", "clock"):
            boot, reset, began = boot_of(board, at_ms)
            mv, percent = _pack(board, at_ms)
            moved = _moved(board, began, at_ms)
            counted = json.dumps({SENSORS[board]: moved} if board in SENSORS else {})
            yield (
                at_ms, board, boot, at_ms - began, mv, percent, -60, reset,
                json.dumps({PROPS[board]: moved // 2} if board in PROPS else {}), counted,
            )  # fmt: skip


def _pack(board: str, at_ms: int) -> tuple[int | None, int | None]:
    hours = (at_ms - FROM_MS) / HOUR_MS
    if board == "clock":
        return round(7600 - 60 * hours), None
    if board not in PACKS:
        return None, None
    chemistry, cells, start, rate = PACKS[board]
    busy = 1.4 if hours > 1.5 else 0.8
    charge = max(0.0, start - rate * busy * hours)
    dip = 8 if draw(3, f"{board}{at_ms}", 5) == 0 else 0
    percent = max(0, round(charge - dip + draw(5, f"{board}{at_ms}", 3) - 1))
    return open_circuit_mv(chemistry, cells, percent), percent


def _each_motion(hours: float) -> Iterator[tuple[int, str, str, int]]:
    for board in SENSORS:
        end = FROM_MS + round(hours * HOUR_MS)
        at_ms, seq, was = FROM_MS + 40_000, 0, ""
        while at_ms < end:
            boot, _reset, began = boot_of(board, at_ms)
            seq = 1 if boot != was else seq + 1
            if boot != was:
                at_ms, was = began + 40_000, boot
            if not (board == "well" and seq in LOST):
                yield at_ms - 1, board, boot, seq
            at_ms += 40_000


def _motions(hours: float) -> Iterator[tuple[object, ...]]:
    for at_ms, board, boot, seq in _each_motion(hours):
        yield at_ms // 1000, at_ms, board, SENSORS[board], boot, seq


def _decisions(hours: float) -> Iterator[tuple[object, ...]]:
    for at_ms, board, boot, seq in _each_motion(hours):
        fired = draw(9, f"{board}{boot}{seq}", 3) == 0
        outcome, reason = ("fired", None) if fired else ("refused", "cooldown")
        yield (
            at_ms // 1000, at_ms, board, boot, seq, SENSORS[board], PROPS[board], outcome, reason,
        )  # fmt: skip
