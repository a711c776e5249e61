"""The rows as one table in Markdown: what is published, what ours is, and how both were found."""

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

from tests.outside.citations import Part
from tests.outside.registry import ROWS
from tests.outside.rows import Measured, Proof, Row, Side

FILE: Final = Path(__file__).parents[1] / "OUTSIDE.md"
HEAD: Final = (
    "| what | source | published | ours | deviation | tolerance | cases | proof |",
    "| --- | --- | --- | --- | --- | --- | --- | --- |",
)
NOTHING: Final = 1e-9
"""A deviation below this share of the value is the rounding of a machine, and is printed as 0."""

Found = Mapping[str, Measured]


def measured_here() -> dict[str, Measured]:
    return {row.id: row.measured() for row in ROWS.values() if row.ours is not None}


def measurers(parts: Iterable[Part]) -> dict[str, list[str]]:
    """Return the tests that measure each row."""
    found: dict[str, list[str]] = {}
    for part in parts:
        for row in part.measures:
            found.setdefault(row, []).append(part.node)
    return found


def lines(found: Found, tests: Mapping[str, list[str]]) -> list[str]:
    return [*HEAD, *(_line(row, found.get(row.id), tests) for row in ROWS.values())]


def _line(row: Row, seen: Measured | None, tests: Mapping[str, list[str]]) -> str:
    unit = f" {row.unit}" if row.unit else ""
    if seen is None:
        by = ", ".join(sorted({each.partition("::")[0] for each in tests.get(row.id, [])}))
        cells = [_published(row, unit), f"measured by {by}", "", _tolerance(row), ""]
    else:
        cells = [*_values(row, seen, unit), _deviation(row, seen), _tolerance(row), f"{seen.cases}"]
    return f"| {' | '.join([row.what, row.source, *cells, row.proof])} |"


def _values(row: Row, seen: Measured, unit: str) -> tuple[str, str]:
    """What was published and what ours is: of the worst case, or of all where all are equal."""
    if seen.published is None or seen.ours is None:
        return _published(row, unit), "" if row.unit or seen.off else "agrees"
    if seen.cases > 1 and row.side is Side.ABOUT and not seen.off:
        return _published(row, unit), "the same"
    return f"{seen.published:.6g}{unit}", f"{seen.ours:.6g}"


def _published(row: Row, unit: str) -> str:
    if not row.table:
        return "0" + unit if row.unit else "the rule"
    values = [float(str(line[-1])) for line in row.table]
    if min(values) == max(values):
        return f"{values[0]:.6g}{unit}"
    return f"{min(values):.6g} to {max(values):.6g}{unit}"


def _deviation(row: Row, seen: Measured) -> str:
    size = abs(seen.published or 1.0) if not row.is_share else 1.0
    return "0" if abs(seen.off) <= NOTHING * size else f"{seen.off:+.2g}"


def _tolerance(row: Row) -> str:
    if row.side is not Side.ABOUT and not row.tolerance:
        return row.side
    return f"{row.tolerance:.2g}{' of it' if row.is_share else ''}"


def summary(found: Found) -> str:
    by = Counter(row.proof for row in ROWS.values())
    counted = ", ".join(f"{by[proof]} {proof}" for proof in Proof)
    values = sum(max(1, len(row.table)) for row in ROWS.values())
    bad = broken(found)
    return (
        f"{len(ROWS)} rows with {values} values or rules: {counted}; {len(found)} measured, "
        f"{len(bad)} out of bounds{': ' if bad else ''}{', '.join(bad)}"
    )


def broken(found: Found) -> list[str]:
    return [name for name, seen in found.items() if not ROWS[name].holds(seen.off)]


def document(tests: Mapping[str, list[str]]) -> str:
    """The file: the rows that work themselves out, and where the others are measured."""
    found = measured_here()
    return "\n".join(
        [
            "# Checks against the outside",
            "",
            "Made by `python -m tests.outside --write`; `python -m tests.outside` also runs the",
            "tests that measure the rest. A row of several values shows the one that is furthest",
            "off. VERIFIED was read in the named source, LIBRARY computed by somebody else's",
            "program, OPEN DATA is a published set, ARITHMETIC follows from the formula alone,",
            "MEMORY means that nobody opened the source, PRACTICE that there is none.",
            "",
            summary(found) + ".",
            "",
            *lines(found, tests),
            "",
        ]
    )
