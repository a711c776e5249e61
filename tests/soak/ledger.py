"""`python -m tests.soak ledger --data DIR`: boards' own counts beside the journal's, by board.

Also what the runs ask at their end: whatever is not even must have a reason that the run knows.
"""

import os
from collections.abc import Sequence
from pathlib import Path

from haunt.store.balance import Balance, balances
from haunt.store.engines import open_engines
from tests.soak.outcome import Outcome

HEAD = (
    f"{'board':16} {'boot':12} {'counted':>8} {'journal':>8} {'missing':>8} "
    f"{'started':>8} {'unwritten':>9} {'otherwise':>9}"
)


def show(data: Path) -> int:
    """Print it; 1 where something is not even."""
    found = read(data)
    print("\n".join(lines(found)))
    return 1 if any(not each.is_even for each in found) else 0


def read(data: Path) -> list[Balance]:
    writing, reading = open_engines(data, os.environ.get("HAUNT_DATABASE", ""))
    try:
        return balances(reading)
    finally:
        writing.dispose()
        reading.dispose()


def lines(found: Sequence[Balance]) -> list[str]:
    rows = [
        f"{each.board:16} {each.boot:12} {each.counted:8,} {each.journalled:8,} "
        f"{each.missing:8,} {each.started:8,} {each.unwritten:9,} {each.contradicted:9,}"
        for each in found
    ]
    return [HEAD, *rows]


def compare(found: Sequence[Balance], outcome: Outcome, *, may_miss: int = 0) -> None:
    """Hold a run's end against it: no more is missing than the run took away itself."""
    missing = sum(each.missing for each in found)
    outcome.noted["ledger: counted by boards"] += sum(each.counted for each in found)
    outcome.noted["ledger: missing in the journal"] += missing
    outcome.noted["ledger: played before a kill, never written"] += sum(
        each.unwritten for each in found
    )
    outcome.noted["ledger: played before a kill, decided otherwise after"] += sum(
        each.contradicted for each in found
    )
    outcome.expect(0 <= missing <= may_miss, f"{missing} motions are missing: {lines(found)}")
