"""`python -m tests.soak NAME [--count N] [--seed S] [--minutes M]`: faults by the thousand.

NAME is of tests/soak/plan.py; `all` makes every run once and prints a table, one promise a line.
`ledger --data DIR` holds what a folder's boards counted against what its journal has.
"""

import argparse
import importlib
import os
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.soak import ledger
from tests.soak.outcome import PATIENCE, Outcome
from tests.soak.plan import BY_NAME, TRIALS, Trial

HEAD = "promise   run           count   faults found left     s load  it says"


def main() -> int:
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    asked.add_argument("name", choices=[*BY_NAME, "all", "ledger"])
    asked.add_argument("--count", type=int)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--data", type=Path)
    asked.add_argument("--minutes", type=float, help="end earlier, where the run can")
    words = asked.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit("ended: what it started is ended with it"))
    if words.name == "ledger":
        return ledger.show(words.data or Path("haunt-data"))
    if words.name == "all":
        return _all(words.seed, words.count)
    if words.minutes:
        PATIENCE.last(words.minutes)
    trial = BY_NAME[words.name]
    outcome, took_s = _tried(trial, words.count or trial.often, words.seed)
    print(f"{trial.promise}, {trial.name}: {trial.says}; seed {words.seed}, {took_s:.0f} s")
    print(outcome.text())
    return 1 if outcome.failures else 0


def _all(seed: int, count: int | None) -> int:
    """One table: what each run injected, what it found, and what was left when it was run again."""
    print(HEAD, flush=True)
    found = [_row(trial, count or trial.often, seed) for trial in TRIALS]
    print(f"{sum(found)} failures found")
    return 1 if any(found) else 0


def _row(trial: Trial, count: int, seed: int) -> int:
    outcome, took_s = _tried(trial, count, seed)
    found = left = len(outcome.failures)
    if found:  # once more with the same seed: what does not come again was found all the same
        again, more_s = _tried(trial, count, seed)
        left, took_s = len(again.failures), took_s + more_s
    faults = sum(outcome.injected.values())
    print(
        f"{trial.promise:9} {trial.name:10} {count:8,} {faults:8,} {found:5} {left:4} "
        f"{took_s:5.0f} {os.getloadavg()[0]:4.1f}  {trial.says} (named: {trial.named})",
        flush=True,
    )
    for each in outcome.failures[:3]:
        print(f"{'':9} FAILED: {each}")
    return found


def _tried(trial: Trial, count: int, seed: int) -> tuple[Outcome, float]:
    module = importlib.import_module(f"tests.soak.{trial.name}")
    began = time.monotonic()
    folder, outcome = Path(tempfile.mkdtemp(prefix="soak-")), Outcome()
    try:
        outcome = module.run(count, seed, folder)
    except Exception as fault:  # noqa: BLE001 - one run that breaks off must not hide the rest
        outcome.failures.append(f"broken off: {type(fault).__name__}: {str(fault)[-300:]}")
    if outcome.failures:
        print(f"left for whoever looks into it: {folder}")
    else:
        shutil.rmtree(folder)
    return outcome, time.monotonic() - began


if __name__ == "__main__":
    sys.exit(main())
