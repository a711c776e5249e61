"""Prints every check against the outside: `python -m tests.outside [--quick] [--check] [--write]`.

Without --quick it runs the tests that measure what no sum can. --check exits 1 where one is out of
bounds, --write renews tests/OUTSIDE.md.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.outside import table
from tests.outside.citations import TESTS, parts_of_all
from tests.outside.registry import ROWS
from tests.outside.rows import NOTES, Measured, together


def main(words: list[str]) -> int:
    strange = set(words) - {"--quick", "--check", "--write"}
    if strange:
        print(f"{', '.join(sorted(strange))}; allowed: --quick, --check, --write")
        return 2
    tests = table.measurers(parts_of_all())
    if "--write" in words:
        table.FILE.write_text(table.document(tests), encoding="utf-8")
        return 0
    found, failed = table.measured_here(), 0
    if "--quick" not in words:
        noted, failed = measured_by_tests(sorted({each for row in tests.values() for each in row}))
        found |= {name: seen for name, seen in noted.items() if ROWS[name].ours is None}
    print("\n".join([*table.lines(found, tests), "", table.summary(found)]))
    if failed:
        print("a test that measures has failed: see above")
    bad = failed or table.broken(found) or (len(found) < len(ROWS) and "--quick" not in words)
    return 1 if bad and "--check" in words else 0


def measured_by_tests(nodes: list[str]) -> tuple[dict[str, Measured], int]:
    """Run these tests and read what they noted; tests that fail say so on standard error.

    They are asked for by name and not by node: a file that cannot be read costs its own rows alone.
    """
    files = sorted({f"{TESTS.name}/{node.partition('::')[0]}" for node in nodes})
    names = " or ".join(sorted({node.partition("::")[2] for node in nodes}))
    words = ["-q", "--continue-on-collection-errors", "-k", names, *files]
    with tempfile.TemporaryDirectory() as folder:
        notes = Path(folder) / "notes"
        notes.touch()
        run = subprocess.run(
            [sys.executable, "-m", "pytest", *words],
            cwd=TESTS.parent,
            env={**os.environ, NOTES: str(notes)},
            stdout=sys.stderr,
            check=False,
        )
        return read_notes(notes.read_text(encoding="utf-8")), run.returncode


def read_notes(text: str) -> dict[str, Measured]:
    found: dict[str, Measured] = {}
    for line in text.splitlines():
        name, *seen = json.loads(line)
        one = Measured(*seen)
        found[name] = together(found[name], one) if name in found else one
    return found


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
