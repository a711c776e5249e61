"""Goal: every change can be seen and taken back, and going back loses nothing either.

Method: the real store in memory; pages are read and their forms sent as a browser does.
"""

import pytest

from haunt.store.notes import Note
from haunt.store.shows import ShowVersion
from tests.site.plan.stage import GARDEN, PlanStage, form_in
from tests.site.plan.test_rows import plain


def changed(plan: PlanStage, cooldown_s: int, by: str = "Jory") -> None:
    plan.keeper.patch_prop("gatekeeper", {"cooldown_s": cooldown_s}, by)


def test_each_version_says_who_when_and_what_in_words(plan: PlanStage) -> None:
    changed(plan, 21)
    plan.keeper.put(f"{plan.text}\n# thanks\n", "Mara")

    said = plain(plan.page("/plan/history"))

    assert (
        "Version 3 in force 2026-10-31 18:30, by Mara Only comments or the layout differ." in said
    )
    assert (
        "Version 2 2026-10-31 18:30, by Jory ± changed: Prop gatekeeper: Cooldown 18 s → 21 s"
        in said
    )
    assert "Version 1 2026-10-31 18:30, by start The first version." in said


def test_undo_in_the_flash_line_puts_the_last_change_back_as_a_new_version(
    plan: PlanStage,
) -> None:
    answer = plan.save("/plan/props/gatekeeper", cooldown_s="21")
    form = form_in(plan.page(answer.headers["location"]), "/plan/history/1")

    back = plan.post("/plan/history/1", form)

    assert back.headers["location"] == "/plan/props/gatekeeper?saved=3"
    assert plan.text == GARDEN
    assert (plan.version, plan.shelf.versions(1)[0].by) == (3, "Mara")
    assert "Cooldown 21 s → 18 s" in plain(plan.page(back.headers["location"]))


def test_undo_of_a_new_row_leads_to_its_table(plan: PlanStage) -> None:
    answer = plan.save("/plan/hazards/new", kind="edge", x_m="1", y_m="2")
    form = form_in(plan.page(answer.headers["location"]), "/plan/history/1")

    back = plan.post("/plan/history/1", form)

    assert back.headers["location"] == "/plan/hazards?saved=3"
    assert plan.text == GARDEN
    assert plan.client.get(back.headers["location"]).status_code == 200


def test_a_flash_line_is_said_of_the_newest_version_alone(plan: PlanStage) -> None:
    answer = plan.save("/plan/props/gatekeeper", cooldown_s="21")
    changed(plan, 40)

    assert "Saved." not in plan.page(answer.headers["location"])


def test_undo_after_somebody_elses_change_is_refused_and_shows_what_it_would_do(
    plan: PlanStage,
) -> None:
    answer = plan.save("/plan/props/gatekeeper", name="Warden")
    form = form_in(plan.page(answer.headers["location"]), "/plan/history/1")
    changed(plan, 40)

    refused = plan.post("/plan/history/1", form)

    assert refused.status_code == 409
    said = plain(refused.text)
    assert "the show has changed meanwhile (it is version 3 now)" in said
    assert "Cooldown 40 s → 18 s" in said
    assert plan.version == 3
    form = form_in(refused.text, "/plan/history/1")
    assert plan.post("/plan/history/1", form).headers["location"] == "/plan/history?saved=4"
    assert plan.text == GARDEN


def test_a_flash_line_begins_as_a_sentence_and_says_what_is_new_without_what_was_not(
    plan: PlanStage,
) -> None:
    saved = plan.save("/plan/boards/new", id="moat", place="by the moat").headers["location"]
    assert "Saved. Added: Board moat: Place by the moat" in plain(plan.page(saved))
    saved = plan.save("/plan/boards/moat", model="esp32").headers["location"]
    assert "Saved. Added: Board moat: Model esp32" in plain(plan.page(saved))


def test_the_foot_of_the_plan_names_the_program_and_not_the_show(plan: PlanStage) -> None:
    changed(plan, 21)
    assert '<p class="dim">haunt 0</p>' in plan.page("/plan")
    assert "Version 2, by" in plan.page("/plan")


def test_going_back_shows_first_what_it_would_change(plan: PlanStage) -> None:
    changed(plan, 21)

    said = plain(plan.page("/plan/history/1"))

    assert "Going back would change ± changed: Prop gatekeeper: Cooldown 21 s → 18 s" in said


def test_an_old_version_that_is_not_taken_any_more_says_why_and_cannot_come_back(
    plan: PlanStage,
) -> None:
    with plan.engine.begin() as connection:
        connection.exec_driver_sql("UPDATE shows SET version = 9")
        connection.exec_driver_sql(
            "INSERT INTO shows VALUES (3, 1, 'old', '[show]\nid = \"garden\"\nghost = 1\n')"
        )

    page = plan.page("/plan/history/3")
    assert "ghost is not a key of this table" in plain(page)
    assert '<form method="post" action="/plan/history/3"' not in page
    assert plan.post("/plan/history/3", {}).status_code == 422
    assert "It cannot be told" in plan.page("/plan/history")


def test_notes_go_back_with_a_prop_that_was_called_otherwise(plan: PlanStage) -> None:
    plan.notes.add(Note(0, 1, "Mara", "prop", "hedge-arm", "2026-10-01", "stuck", "", ""))
    plan.save("/plan/props/hedge-arm", id="arm")
    assert "stuck" in plan.page("/plan/props/arm")

    plan.post("/plan/history/1", {"on": "2"})

    assert "stuck" in plan.page("/plan/props/hedge-arm")


def test_history_comes_in_pages(plan: PlanStage) -> None:
    for number in range(20):
        changed(plan, 20 + number)

    first = plan.page("/plan/history")
    assert "Version 21 " in plain(first)
    assert "Version 6 " not in plain(first)
    older = plain(plan.page("/plan/history?before=7"))
    assert "Version 6 " in older
    assert "Cooldown 22 s → 23 s" in older
    assert "/plan/history?before=7" in first


ELSEWHERE = (
    "//elsewhere.example",
    "/\\elsewhere.example",
    "https://x.example",
    "/plan//x",
    "/x?y",
    "x",
)


@pytest.mark.parametrize("back", ELSEWHERE)
def test_the_way_back_leads_to_a_page_of_ours(plan: PlanStage, back: str) -> None:
    changed(plan, 21)
    answer = plan.post("/plan/history/1", {"on": "2", "back": back})
    assert answer.headers["location"] == "/plan/history?saved=3"

    answer = plan.post("/plan/history/1", {"on": "3", "back": "/plan/props/owl"})
    assert answer.headers["location"] == "/plan/props/owl?saved=4"


@pytest.mark.parametrize(
    ("version", "status"),
    [("7", 404), ("0", 404), (str(2**63 - 1), 404), ("-1", 422), ("99999999999999999999", 422)],
)
def test_a_version_that_is_not_there_is_said_so(plan: PlanStage, version: str, status: int) -> None:
    assert plan.client.get(f"/plan/history/{version}").status_code == status
    assert plan.post(f"/plan/history/{version}", {}).status_code == status


def test_a_reader_of_history_is_offered_no_way_back(plan: PlanStage) -> None:
    changed(plan, 21)
    plan.become("crew")

    assert '<form method="post" action="/plan/history' not in plan.page("/plan/history/1")
    assert plan.post("/plan/history/1", {"on": "2"}).status_code == 403
    assert isinstance(plan.shelf.version(1), ShowVersion)
