"""Goal: whatever is read for pages, reports and restarts is the same from either database.

Method: one night written into both, asked everything that there is to ask; the types count too.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from haunt.live.ports import ActionRow, AlertRow, HealthRow, Record, ReportRow
from haunt.store import balance, checks, countrows, nightevents, nightrows, packrows, shows, tables
from haunt.store.alerts import AlertStore
from haunt.store.engines import open_engines
from haunt.store.ledger import Ledger
from haunt.store.reader import Reader
from haunt.study.nightfacts import Span
from tests.core.stage import BOOT, EVENING
from tests.store.nights import config_of, lay
from tests.store.stage import fresh_url

SPAN = Span(EVENING, EVENING + 3_600_000)
READS: dict[str, Callable[[Engine], Any]] = {
    "decisions": lambda e: Reader(e).decisions(limit=1000),
    "fired, newest": lambda e: Reader(e).decisions(outcome="fired", newest=True, limit=7),
    "a prop's, by reason": lambda e: Reader(e).decisions(prop="keeper", reason="cooldown"),
    "a span's": lambda e: Reader(e).decisions(since_ms=EVENING + 9000, until_ms=EVENING + 60_000),
    "lines": lambda e: "".join(Reader(e).decision_lines()),
    "motions": lambda e: Reader(e).motions(limit=1000),
    "cues": lambda e: Reader(e).cues(limit=1000),
    "reports": lambda e: Reader(e).reports(),
    "health": lambda e: Reader(e).health(limit=1000),
    "alerts": lambda e: Reader(e).alerts(),
    "actions": lambda e: Reader(e).actions(),
    "breaks": lambda e: Reader(e).breaks(None, None),
    "counted": lambda e: Reader(e).counted(),
    "last stamp": lambda e: Reader(e).last_stamp(),
    "snapshot": lambda e: Reader(e).latest_snapshot(),
    "events": lambda e: list(Reader(e).events_after(3)),
    "open alerts": lambda e: AlertStore(e, Path()).open_alerts(),
    "balance": balance.balances,
    "quarters": countrows.recent,
    "quarters of a span": lambda e: sorted(map(repr, countrows.quarters_in(e, SPAN))),
    "boots": lambda e: countrows.boots_in(e, SPAN),
    "quarters with": lambda e: countrows.quarters_with(e, tables.motions),
    "packs": lambda e: sorted(map(repr, packrows.counted_in(e, SPAN))),
    "heard": packrows.heard_before,
    "a night": lambda e: nightrows.rows_of(e, SPAN),
    "dates": lambda e: nightrows.dates_of(e, "Europe/Vienna"),
    "memory": lambda e: nightevents.memory_before(e, SPAN),
    "cooldowns": lambda e: shows.cooldowns_of(e, "keeper"),
    "seen": lambda e: checks.CheckStore(e, e).seen_since(EVENING),
}


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Engine, Engine]]:
    folder = tmp_path_factory.mktemp("both")
    engines = []
    for url in ("", fresh_url("postgresql")):
        lay(replace(config_of(folder), database=url))
        writing, reading = open_engines(folder, url)
        ledger = Ledger(writing)
        ledger.write([told(number) for number in range(1000, 1020)])
        ledger.close()
        writing.dispose()
        engines.append(reading)
    yield engines[0], engines[1]
    for each in engines:
        each.dispose()


def told(number: int) -> Record:
    """What a board says of itself, and people do, while the night goes on."""
    at_ms = EVENING + (number - 1000) * 60_000
    health = HealthRow(
        "gate", BOOT, number, 7400 - number % 7, 90 - number % 5, -61, "soft", {}, {"gate-mat": 61}
    )
    return Record(
        number,
        number,
        at_ms,
        health=health,
        report=ReportRow("gate", f"gate-{BOOT}-{number - 999}-keeper", BOOT, "started", ""),
        action=ActionRow("Ünal", "hold", "keeper"),
        alert=AlertRow(f"lost {number % 3}", "raised" if number % 2 else "cleared", "gone"),
    )


@pytest.mark.parametrize("name", READS)
def test_both_databases_answer_alike(both: tuple[Engine, Engine], name: str) -> None:
    from_file, from_server = (READS[name](each) for each in both)

    assert from_server == from_file
    assert repr(from_server) == repr(from_file), "numbers are whole numbers in both"
    assert from_file, "there is something to be asked for"
