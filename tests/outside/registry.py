"""All rows by their id: `outside("erlang-b/group")` is how a test names what it holds ours to."""

from collections import Counter

from tests.outside import counting, moving, packs, parts, rules, sky, wires
from tests.outside.rows import Row
from tests.workshop.outside import CHECKS, Outside


def outside(name: str) -> Row:
    return ROWS[name]


def family(name: str) -> list[Row]:
    """All rows whose id begins so."""
    return [row for key, row in ROWS.items() if key.startswith(f"{name}/")]


def _of_the_workshop(check: Outside, *, is_twin: bool) -> Row:
    return Row(
        f"workshop/{check.what}{f' [{check.source}]' if is_twin else ''}",
        check.what,
        check.source,
        check.proof,
        check.tolerance,
        check.unit,
        ((*check.args, check.value),),
        check.sum,
    )


def _joined() -> dict[str, Row]:
    names = Counter(check.what for check in CHECKS)
    rows = [
        *(_of_the_workshop(check, is_twin=names[check.what] > 1) for check in CHECKS),
        *packs.ROWS,
        *parts.ROWS,
        *wires.ROWS,
        *counting.ROWS,
        *moving.ROWS,
        *sky.ROWS,
        *rules.ROWS,
    ]
    twins = [name for name, count in Counter(row.id for row in rows).items() if count > 1]
    assert not twins, f"told twice: {twins}"
    return {row.id: row for row in rows}


ROWS = _joined()
