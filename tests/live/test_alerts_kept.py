"""Goal: an alert outlives the controller: its number, its count, and who has seen it.

Method: a running night on the real journal and database, ended and begun again.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine

from haunt.live.alerts.watch import AlertSeen
from haunt.live.ports import ActionRow, AlertRow, Record
from haunt.store.alerts import AlertStore
from haunt.store.engines import open_engines
from haunt.store.journal import SqlJournal
from haunt.store.reader import Reader
from haunt.store.schema import upgrade
from tests.core.stage import EVENING
from tests.live.gardenstage import FakeShelf, Garden


@pytest.fixture
def engines(tmp_path: Path) -> Iterator[tuple[Engine, Engine]]:
    writing, reading = open_engines(tmp_path)
    upgrade(writing)
    yield writing, reading
    writing.dispose()
    reading.dispose()


class Nobody:
    def committed(self, records: list[Record]) -> None: ...
    def lost(self, records: list[Record]) -> None: ...


def write(writing: Engine, records: list[Record]) -> None:
    journal = SqlJournal(writing)
    journal.start(Nobody())
    for record in records:
        journal.put(record)
    journal.close(20)


def kept(reading: Engine, **asked: Any) -> list[dict[str, Any]]:
    return Reader(reading).alerts(**asked).items


def test_a_name_under_an_alert_is_there_after_a_restart(
    engines: tuple[Engine, Engine], tmp_path: Path
) -> None:
    writing, reading = engines
    garden = Garden().open()
    garden.boards["b2"].is_on = False
    garden.run(30_000)
    number = garden.alert().id
    seen = AlertSeen(garden.now, garden.schedule.wall_ms(), number, "Ada")
    garden.night.order(seen, ActionRow("Ada", "alert seen", str(number)))
    write(writing, garden.journal.records)

    again = Garden(shelf=FakeShelf(AlertStore(reading, tmp_path).open_alerts()))
    again.link(up=True)
    again.run(400)
    for name in ("b1", "b3"):
        again.boards[name].start()
    again._beat_health()
    again.run(45_000)

    alert = again.alert()
    assert (alert.id, alert.key, alert.seen_by, alert.count) == (number, "lost b2", "Ada", 1)
    assert "lost b2" in again.night.alerts
    again.boards["b2"].start()
    again.run(30_000)
    assert [(each.alert, each.state, each.seen_by) for each in again.rows()] == [
        (number, "cleared", "Ada")
    ]


def test_what_was_mended_while_the_controller_was_down_closes_by_itself(
    engines: tuple[Engine, Engine], tmp_path: Path
) -> None:
    writing, reading = engines
    row = AlertRow("lost b2", "raised", "P2: lost", since_ms=EVENING, last_ms=EVENING)
    write(writing, [Record(7, 7, EVENING, alert=row)])

    again = Garden(shelf=FakeShelf(AlertStore(reading, tmp_path).open_alerts())).open()
    assert again.keys() == ["lost b2"], "it may still show itself"
    again.run(60_000)

    assert again.keys() == []
    assert [(each.alert, each.state) for each in again.rows()] == [(7, "cleared")]


def test_an_alert_is_listed_once_as_it_stands(engines: tuple[Engine, Engine]) -> None:
    writing, reading = engines
    first = AlertRow("stuck s1", "raised", "on for 2 min", todo="Mute it.", severity="soon")
    later = AlertRow(
        "stuck s1", "cleared", "on for 9 min", 4, "Mute it.", "soon", EVENING, EVENING + 9, 3, "Ada"
    )
    other = AlertRow("link", "raised", "No broker", severity="now")
    write(
        writing,
        [
            Record(4, 4, EVENING, alert=first),
            Record(5, 5, EVENING + 5, alert=other),
            Record(6, 6, EVENING + 9, alert=later),
        ],
    )

    one, two = kept(reading)
    assert one == {
        "id": 4,
        "at": "2026-11-01T17:00:00.000Z",
        "key": "stuck s1",
        "kind": "stuck",
        "subject": "s1",
        "severity": "soon",
        "state": "cleared",
        "text": "on for 9 min",
        "todo": "Mute it.",
        "count": 3,
        "last": "2026-11-01T17:00:00.009Z",
        "acknowledged_by": "Ada",
        "acknowledged_at": None,
        "closed_at": "2026-11-01T17:00:00.009Z",
    }
    assert (two["id"], two["kind"], two["subject"], two["closed_at"]) == (5, "link", "", None)


def test_alerts_come_a_page_at_a_time_by_number(engines: tuple[Engine, Engine]) -> None:
    writing, reading = engines
    rows = [
        Record(n, n, EVENING + n, alert=AlertRow(f"lost b{n}", "raised", "x")) for n in range(1, 8)
    ]
    write(writing, rows)

    page = Reader(reading).alerts(limit=3)
    assert ([each["id"] for each in page.items], page.next) == ([1, 2, 3], 3)
    assert [each["id"] for each in kept(reading, after=6)] == [7]
    assert [each["id"] for each in kept(reading, newest=True, limit=2)] == [6, 7]
    assert [each["id"] for each in kept(reading, since_ms=EVENING + 6)] == [6, 7]
    assert [each["id"] for each in kept(reading, until_ms=EVENING + 2)] == [1]


def test_room_on_the_disk_is_told_and_a_lost_disk_is_none(
    engines: tuple[Engine, Engine], tmp_path: Path
) -> None:
    _writing, reading = engines

    assert (AlertStore(reading, tmp_path).free_mb() or 0) > 0
    assert AlertStore(reading, tmp_path / "gone").free_mb() is None
