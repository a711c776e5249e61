"""Goal: the fast way through all decisions says exactly what the list says a page at a time.

Method: one real journal, both ways, with the same filters.
"""

from pathlib import Path
from typing import Any

import pytest

from haunt.store.longrows import decision_rows
from haunt.store.reader import Reader
from tests.benchmarks.long_log import START_MS, fill
from tests.store.stage import opened

ASKED: tuple[dict[str, Any], ...] = (
    {},
    {"prop": "p7"},
    {"outcome": "lapsed", "reason": "cooldown"},
    {"since_ms": START_MS + 700_000, "until_ms": START_MS + 900_000},
    {"after": 100, "before": 300},
    {"reason": "\ud800"},
)


@pytest.mark.parametrize("asked", ASKED, ids=str)
def test_rows_are_those_of_the_list(tmp_path: Path, asked: dict[str, Any]) -> None:
    with opened(tmp_path) as found:
        fill(tmp_path / "haunt.db", 6000)
        quick = [row for batch in decision_rows(found.writing, asked) for row in batch]  # type: ignore[arg-type]
        slow = [tuple(item.values()) for item in _items(found.reader, asked)]

    assert quick == slow
    assert bool(quick) is (asked.get("reason") != "\ud800")


def _items(reader: Reader, asked: dict[str, Any]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    after = asked.get("after", 0)
    while True:
        page = reader.decisions(**{**asked, "after": after, "limit": 1000})
        found += page.items
        if page.next is None:
            return found
        after = page.next
