"""`python -m tests.soak NAME --count N [--seed S]`: faults by the thousand, outside of CI."""

import argparse
import importlib
import sys
import tempfile
import time
from pathlib import Path

NAMES = (
    *(
        "attacks",
        "broker",
        "crash",
        "damage",
        "disk",
        "link",
        "packets",
        "payloads",
        "presence",
        "torn",
    ),
)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("name", choices=NAMES)
    asked.add_argument("--count", type=int, default=20)
    asked.add_argument("--seed", type=int, default=1)
    words = asked.parse_args()
    module = importlib.import_module(f"tests.soak.{words.name}")
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        outcome = module.run(words.count, words.seed, Path(folder))
    print(f"{words.name}, seed {words.seed}, {time.monotonic() - began:.0f} s")
    print(outcome.text())
    return 1 if outcome.failures else 0


if __name__ == "__main__":
    sys.exit(main())
