"""Goal: the report of a night has all rows of its span and none of another.

Method: a real journal on SQLite, written record by record.
"""

from pathlib import Path

from haunt.core.events import Motion
from haunt.live.ports import ActionRow, AlertRow, HealthRow, Record
from haunt.store.journal import SqlJournal
from haunt.store.nightrows import rows_of, show_at
from haunt.study.nightfacts import Span
from tests.core.stage import BOOT, EVENING
from tests.store.stage import Heard, Opened, decision, opened


def written(found: Opened, at_ms: tuple[int, ...]) -> None:
    heard = Heard()
    journal = SqlJournal(found.writing)
    journal.start(heard)
    for number, wall_ms in enumerate(at_ms, 1):
        journal.put(
            Record(
                number,
                wall_ms,
                wall_ms,
                event=Motion(wall_ms, wall_ms, "b1", "pir", BOOT, number),
                decisions=(decision(number)._replace(wall_ms=wall_ms),),
                health=HealthRow("b1", BOOT, 1, 7400, 63, -60, "power-on", {}, {"pir": number}),
                action=ActionRow("a phone", "hold", "gate"),
                alert=AlertRow("lost:b1", "raised", "b1 is lost"),
            )
        )
    heard.wait_for(kept=len(at_ms))
    journal.close()


def test_a_span_is_half_open_and_holds_every_kind_of_row(tmp_path: Path, url: str) -> None:
    with opened(tmp_path, url) as found:
        written(found, (EVENING - 1, EVENING, EVENING + 500, EVENING + 1000))
        rows = rows_of(found.writing, Span(EVENING, EVENING + 1000))

    assert [each.wall_ms - EVENING for each in rows.motions] == [0, 500]
    assert [each.at_ms - EVENING for each in rows.decisions] == [0, 500]
    assert [(each.charge_percent, each.motions) for each in rows.health] == [
        (63, {"pir": 2}),
        (63, {"pir": 3}),
    ]
    assert rows.actions[0].text == "a phone: hold gate"
    assert rows.alerts[0].text == "raised: b1 is lost"


def test_the_show_is_the_one_that_was_in_force(tmp_path: Path, url: str) -> None:
    with opened(tmp_path, url) as found:
        assert show_at(found.writing, EVENING) is None
        found.writer.save_show("first", "me", EVENING)
        found.writer.save_show("second", "me", EVENING + 1000)

        assert [show_at(found.writing, EVENING + ms) for ms in (-5, 0, 999, 1000)] == [
            "first",
            "first",
            "first",
            "second",
        ]
