"""The write-ahead log cut at every frame's edge and at drawn places: what is left is a prefix.

And it holds every commit that was told by then, which is when a motion is acknowledged.
"""

import shutil
from pathlib import Path

from haunt.core.dice import draw
from haunt.store.ledger import Ledger
from tests.soak.outcome import Outcome
from tests.store.flaky import whole
from tests.store.stage import opened
from tests.store.test_power_cut import COMMITS, FRAME_HEAD, PAGE, WAL_HEAD, recovered


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Cut `count` times at drawn bytes, and once at every edge."""
    outcome, told = Outcome(), []
    data, copy, work = folder / "night", folder / "copy", folder / "work"
    for each in (data, copy, work):
        each.mkdir()
    with opened(data) as database:
        ledger = Ledger(database.writing)
        for number in range(1, COMMITS + 1):
            ledger.write([whole(2 * number - 1), whole(2 * number)])
            told.append((data / "haunt.db-wal").stat().st_size)
        for name in ("haunt.db", "haunt.db-wal"):
            shutil.copy(data / name, copy / name)
        ledger.close()
    length = (copy / "haunt.db-wal").stat().st_size
    edges = list(range(WAL_HEAD, length + 1, FRAME_HEAD + PAGE))
    kept = [_cut(copy, work, edge, "cut at a frame's edge", outcome) for edge in edges]
    outcome.expect(kept == sorted(kept), "a longer log holds fewer commits")
    for number, synced in enumerate(told, 1):  # what was told to be kept is there from then on
        found = _cut(copy, work, synced, "cut where a commit was told", outcome)
        outcome.expect(found >= number, f"commit {number} was told, {found} are there")
    outcome.expect(kept[-1] == COMMITS, "the whole log does not hold every commit")
    for number in range(count):
        at = draw(seed, f"torn {number}", length + 1)
        below = max((edge for edge in edges if edge <= at), default=0)
        found = _cut(copy, work, at, "cut anywhere", outcome)
        whole_frames = kept[edges.index(below)] if below else found
        outcome.expect(found == whole_frames, f"cut at {at}: {found} commits, {whole_frames} told")
    return outcome


def _cut(copy: Path, work: Path, at: int, kind: str, outcome: Outcome) -> int:
    outcome.injected[kind] += 1
    try:
        return recovered(copy, work, at)
    except AssertionError as fault:
        outcome.failures.append(f"cut at {at}: {str(fault)[:200]}")
        return -1
