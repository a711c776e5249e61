"""Goal: what failed and what was done stays with the prop or board, in whose hands it may.

Method: notes are written on pages, read on pages and as CSV; each role is asked.
"""

import csv
import io

import pytest

from tests.site.plan.stage import PlanStage, form_in
from tests.site.plan.test_rows import plain

NOTE = {
    "kind": "prop",
    "about": "hedge-arm",
    "day": "2026-10-12",
    "failed": "=gear slipped",
    "done": "new grub screw\r\nand a drop of glue",
    "parts": "M3 grub screw",
}


def test_crew_note_on_the_props_page_what_was_mended(plan: PlanStage) -> None:
    plan.become("crew")
    form = form_in(plan.page("/plan/props/hedge-arm"), "/plan/notes")
    assert (form["kind"], form["about"], form["day"]) == (["prop"], ["hedge-arm"], ["2026-10-31"])

    answer = plan.post("/plan/notes", NOTE)

    assert answer.headers["location"] == "/plan/props/hedge-arm#notes"
    said = plain(plan.page("/plan/props/hedge-arm"))
    assert "2026-10-12 by Jory Failed: =gear slipped Done: new grub screw and a drop" in said
    assert "gear slipped" not in plan.page("/plan/props/gatekeeper")
    assert "Prop Arm in the hedge" in plain(plan.page("/plan/notes"))


def test_a_board_has_notes_of_its_own(plan: PlanStage) -> None:
    plan.post("/plan/notes", {**NOTE, "kind": "board", "about": "hedge"})

    assert "gear slipped" in plan.page("/plan/boards/hedge")
    assert "gear slipped" not in plan.page("/plan/props/hedge-arm")


def test_all_notes_come_as_csv_with_formulas_guarded(plan: PlanStage) -> None:
    for day in ("2026-10-12", "2026-10-13"):
        plan.post("/plan/notes", {**NOTE, "day": day})

    answer = plan.client.get("/plan/notes.csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))

    assert [each["day"] for each in rows] == ["2026-10-13", "2026-10-12"]
    assert rows[0]["failed"] == "'=gear slipped"
    assert rows[0]["done"] == "new grub screw\nand a drop of glue"
    assert (rows[0]["by"], rows[0]["at"]) == ("Mara", "2026-10-31T18:30:00.000Z")


def test_only_an_owner_takes_a_note_out(plan: PlanStage) -> None:
    plan.post("/plan/notes", NOTE)
    [note] = plan.notes.notes()
    plan.become("crew")
    assert "Take this note out" not in plan.page("/plan/notes")
    assert plan.post(f"/plan/notes/{note.id}/remove", {}).status_code == 403
    plan.become("watch")
    assert plan.post("/plan/notes", NOTE).status_code == 403

    plan.become("owner")
    assert plan.post(f"/plan/notes/{note.id}/remove", {}).status_code == 303
    assert plan.notes.notes() == []
    assert plan.post(f"/plan/notes/{note.id}/remove", {}).status_code == 404


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"failed": " ", "done": ""}, "says what failed, or what was done"),
        ({"day": "yesterday"}, "allowed: a date such as 2026-10-31"),
        ({"about": "nobody"}, "There is no prop 'nobody'"),
        ({"kind": "sensor"}, "about a prop or a board"),
    ],
)
def test_a_note_that_says_nothing_of_anything_is_refused(
    plan: PlanStage, wrong: dict[str, str], said: str
) -> None:
    answer = plan.post("/plan/notes", {**NOTE, **wrong})

    assert answer.status_code in {404, 422}
    assert said in plain(answer.text)
    assert plan.notes.notes() == []


def test_a_note_of_what_is_no_more_is_still_read(plan: PlanStage) -> None:
    plan.post("/plan/notes", NOTE)
    plan.post("/plan/props/hedge-arm/remove", {"with_uses": "yes"})

    assert "prop hedge-arm, which is no more" in plain(plan.page("/plan/notes"))
