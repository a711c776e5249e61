"""Goal: a row is changed by its form alone, all or nothing, and whoever was quicker is heard.

Method: pages are opened, typed into and sent as a browser does; the kept text is looked at.
"""

import difflib
import re
from html import unescape

import pytest

from haunt.core import events
from haunt.store.linerows import LineStore
from haunt.store.notes import Note
from haunt.study.pools.pool import PoolLine, State
from tests.site.night import DUSK_MS
from tests.site.plan.stage import FAULTY, GARDEN, PlanStage, form_in


def difference(before: str, after: str) -> list[str]:
    lines = difflib.ndiff(before.split("\n"), after.split("\n"))
    return [line for line in lines if line[0] in "+-"]


def plain(html: str) -> str:
    """What is read: no tags, single spaces."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]*>", " ", html))).replace(" .", ".")


def followed(plan: PlanStage, path: str, action: str = "", **values: str | list[str]) -> str:
    answer = plan.save(path, action, **values)
    assert answer.status_code == 303, plain(answer.text)
    return plain(plan.page(answer.headers["location"]))


def test_one_typed_value_is_one_line_of_the_file_and_one_event_of_the_night(
    plan: PlanStage,
) -> None:
    said = followed(plan, "/plan/props/gatekeeper", cooldown_s="21.5")

    assert "Saved. Prop gatekeeper: Cooldown 18 s → 21.5 s" in said
    assert difference(GARDEN, plan.text) == ["- cooldown_s = 18", "+ cooldown_s = 21.5"]
    [changed] = [each for each in plan.desk.orders if isinstance(each, events.ShowChanged)]
    assert (changed.version, changed.by) == (2, "Mara")
    assert plan.shelf.versions(1)[0][:3] == (2, DUSK_MS, "Mara")


def test_an_emptied_field_takes_its_key_out_and_comments_stay(plan: PlanStage) -> None:
    followed(plan, "/plan/props/hedge-arm", duty="", priority="2")

    assert difference(GARDEN, plan.text) == [
        "- duty = 0.25                         # what the motor's plate says: 25 % on",
        "+ priority = 2",
    ]


def test_a_field_that_a_program_does_not_send_keeps_what_it_has(plan: PlanStage) -> None:
    answer = plan.post("/plan/props/gatekeeper", {"cooldown_s": "30"})

    assert answer.status_code == 303
    assert difference(GARDEN, plan.text) == ["- cooldown_s = 18", "+ cooldown_s = 30"]


@pytest.mark.parametrize(
    ("path", "name", "typed", "line"),
    [
        ("/plan/boards/gate", "pins", "pir = 27\nvoice = 25\neyes = 4", "eyes = 4"),
        ("/plan/boards/hedge", "stop_states", "arm = home", 'arm = "home"'),
        ("/plan/boards/well", "battery.series", "3", "series = 3,"),
        ("/plan/boards/gate", "wire.length_m", "2.5", "wire = {length_m = 2.5}"),
        ("/plan/sensors/hedge-radar", "sees", ["", "hedge-arm", "old-well"], '"old-well"'),
        ("/plan/props/gatekeeper", "arm_by_hand", ["", "yes"], "arm_by_hand = true"),
        ("/plan/props/gatekeeper", "scare_spot.x_m", "1", ""),
        ("/plan/circuits/porch-outlet", "wet", "yes", "wet = true"),
        ("/plan/timetable/2", "every_s", ["240", "480.5"], "every_s = [240, 480.5]"),
        ("/plan/quiet/3", "days", ["", "fri"], 'days = ["fri"]'),
        ("/plan/nights/1", "date", "2026-10-29", "date = 2026-10-29"),
        ("/plan/behaviours/gatekeeper.growl", "tracks", "growl\neyes", '["growl", "eyes"]'),
        ("/plan/behaviours/gatekeeper.growl", "lines", "one\n\n two ", '"two",'),
        ("/plan/props/gatekeeper", "motor.rail", "logic", 'motor = {rail = "logic"}'),
    ],
)
def test_each_kind_of_field_says_its_value(
    plan: PlanStage, path: str, name: str, typed: str | list[str], line: str
) -> None:
    answer = plan.save(path, "", **{name.replace(".", "__"): typed})

    if not line:  # a place needs both of its numbers
        assert answer.status_code == 422
        assert "Is missing" in answer.text
        return
    assert answer.status_code == 303, plain(answer.text)
    assert line in "\n".join(difference(GARDEN, plan.text))


def test_points_of_the_property_line_are_changed_emptied_and_added(plan: PlanStage) -> None:
    new = {"name": "gate", "x_m": "0", "y_m": "-4", "max_level_dba": "70"}
    gone = dict.fromkeys((f"boundary__0__{key}" for key in new), "")
    added = {f"boundary__2__{key}": value for key, value in new.items()}

    followed(plan, "/plan/limits", "/plan/limits/one", boundary__1__x_m="-5", **gone, **added)

    text = plan.text
    assert '{ name = "pavement", x_m = -5, y_m = 0, max_level_dba = 75 }' in text
    assert "number 7" not in text
    assert '{ name = "gate", x_m = 0, y_m = -4, max_level_dba = 70 }' in text


def test_a_table_that_is_there_once_is_begun_and_taken_out_by_its_form(plan: PlanStage) -> None:
    followed(plan, "/plan/traffic", "/plan/traffic/one", groups_per_hour="50")
    assert plan.text == f"{GARDEN}\n[traffic]\ngroups_per_hour = 50\n"

    followed(plan, "/plan/traffic", "/plan/traffic/one", groups_per_hour="")
    assert plan.text == GARDEN


# --- faults


def test_a_fault_stands_beside_its_field_with_what_is_allowed_and_what_was_typed(
    plan: PlanStage,
) -> None:
    answer = plan.save("/plan/props/gatekeeper", cooldown_s="soon", duty="2", name="Old Tom")

    assert answer.status_code == 422
    assert '<title id="title">Error: ' in answer.text
    kept = form_in(answer.text, "/plan/props/gatekeeper")
    assert [kept[each] for each in ("cooldown_s", "duty", "name")] == [
        ["soon"], ["2"], ["Old Tom"],
    ]  # fmt: skip
    [beside] = re.findall(r'<div id="said-cooldown_s">(.*?)</div>', answer.text, re.DOTALL)
    assert plain(beside).strip() == (
        "Is 'soon'. Allowed: seconds from 0 to 86400, with at most three decimals."
    )
    assert '<a href="#duty">' in answer.text
    assert plan.text == GARDEN
    assert plan.version == 1


@pytest.mark.parametrize(
    ("path", "name", "typed", "said"),
    [
        ("/plan/boards/gate", "pins", "pir", "Has the line 'pir'. Allowed: name = what it is"),
        ("/plan/boards/gate", "pins", "a = 1\na = 2", "Has 'a' twice. Allowed: each name once."),
        ("/plan/boards/well", "battery.series", "1.5", "Allowed: a whole number"),
        ("/plan/boards/well", "battery.chemistry", "", "Is missing. Allowed: it must be given."),
        ("/plan/boards/gate", "battery.chemistry", "lipo", "Stands beside supply."),
        (
            "/plan/timetable/2",
            "every_s",
            ["", "240"],
            "Has its second end only. Allowed: the first alone",
        ),
        ("/plan/timetable/2", "every_s", ["240", "100"], "Goes down."),
        ("/plan/nights/1", "date", "2026-10-31", "Is '2026-10-31' again."),
        ("/plan/nights/1", "opens", "half past", "HH:MM from 00:00"),
        ("/plan/sensors/gate-pir", "board", "nowhere", "no board is called so"),
        ("/plan/props/gatekeeper", "id", "Gate Keeper", "1 to 32 of the characters"),
        ("/plan/props/gatekeeper", "id", "old-well", "Is 'old-well' again."),
        ("/plan/show", "id", "other", "Cannot change: boards and the journal know"),
        ("/plan/show", "time_zone", "Europe/Berlln", "the nearest is Europe/Berlin"),
        ("/plan/limits", "boundary.0.x_m", "", "Is missing."),
        ("/plan/behaviours/gatekeeper.growl", "motor_on_s", "60", "At most duration_s"),
    ],
)
def test_what_is_wrong_is_said_in_words_and_nothing_changes(
    plan: PlanStage, path: str, name: str, typed: str | list[str], said: str
) -> None:
    action = f"{path}/one" if path.count("/") == 2 else path

    answer = plan.save(path, action, **{name.replace(".", "__"): typed})

    assert answer.status_code == 422
    assert said.lower() in plain(answer.text).lower()
    assert plan.text == GARDEN


def test_a_fault_of_another_row_leads_there(plan: PlanStage) -> None:
    answer = plan.post("/plan/boards/well/remove", {})

    assert answer.status_code == 422
    said = plain(answer.text)
    assert "Sensor well-beam : board is 'well', but no board is called so. Allowed: a known" in said
    assert "There is a problem Nothing was changed." in said
    assert '<a href="/plan/sensors/well-beam">' in answer.text
    assert plan.text == GARDEN


# --- new rows, copies, removals, other names


def test_a_link_can_open_a_new_prop_with_fields_filled(plan: PlanStage) -> None:
    form = form_in(
        plan.page("/plan/props/new?board=shed&name=Rat&behaviour.0.id=run"), "/plan/props/new"
    )
    assert [form[each] for each in ("board", "name", "behaviour.0.id")] == [
        ["shed"], ["Rat"], ["run"],
    ]  # fmt: skip
    form |= {"id": ["rat"], "behaviour.0.duration_s": ["2.5"]}

    answer = plan.post("/plan/props/new", form)

    assert answer.headers["location"] == "/plan/props/rat?saved=2"
    assert [line for line in difference(GARDEN, plan.text) if len(line) > 2] == [
        "+ [[prop]]", '+ id = "rat"', '+ board = "shed"', '+ name = "Rat"',
        "+ [[prop.behaviour]]", '+ id = "run"', "+ duration_s = 2.5",
    ]  # fmt: skip


def test_a_new_row_with_faults_keeps_what_was_typed(plan: PlanStage) -> None:
    answer = plan.save("/plan/props/new", id="rat", name="Rat")

    assert answer.status_code == 422
    assert form_in(answer.text, "/plan/props/new")["name"] == ["Rat"]
    said = plain(answer.text)
    assert "Board : Is missing." in said
    assert "has no behaviour" in said.lower()
    assert plan.text == GARDEN


def test_a_new_behaviour_stands_in_its_prop(plan: PlanStage) -> None:
    page = plan.page("/plan/props/shed-lamp")
    assert "/plan/behaviours/new?within=shed-lamp" in page
    form = form_in(plan.page("/plan/behaviours/new?within=shed-lamp"), "/plan/behaviours/new")
    form |= {"id": ["blink"], "duration_s": ["3"]}

    answer = plan.post("/plan/behaviours/new", form)

    assert answer.headers["location"] == "/plan/behaviours/shed-lamp.blink?saved=2"
    assert len(difference(GARDEN, plan.text)) == 4
    assert "in this show" in plan.post("/plan/behaviours/new", {"id": "x"}).text


def test_a_prop_is_copied_with_its_behaviours_and_where_asked_for_its_links(
    plan: PlanStage,
) -> None:
    form = plan.form("/plan/props/old-well", "/plan/props/old-well/copy")
    assert form["id"] == ["old-well-2"]
    form |= {"name": ["New well"], "with_links": ["yes"]}

    answer = plan.post("/plan/props/old-well/copy", form)

    assert answer.headers["location"] == "/plan/props/old-well-2?saved=2"
    lines = "\n".join(difference(GARDEN, plan.text))
    assert lines.count("[[prop.behaviour]]") == 2
    assert "# below this charge it rests" in lines
    assert lines.count('prop = "old-well-2"') == 1
    assert 'name = "New well"' in lines
    again = plan.post("/plan/props/old-well/copy", {"id": "old-well-2"})
    assert again.status_code == 422
    assert "Prop Old well : id is 'old-well-2' again" in plain(again.text)
    kept = form_in(again.text, "/plan/props/old-well")
    assert kept["id"] == ["old-well"], "the form of the row itself is as the row is"
    assert form_in(again.text, "/plan/props/old-well/copy")["id"] == ["old-well-2"]


def test_a_behaviour_is_copied_within_its_prop(plan: PlanStage) -> None:
    form = plan.form("/plan/behaviours/old-well.bubble", "/plan/behaviours/old-well.bubble/copy")

    answer = plan.post("/plan/behaviours/old-well.bubble/copy", form)

    assert answer.headers["location"] == "/plan/behaviours/old-well.bubble-2?saved=2"
    assert plan.text.count('id = "bubble') == 2


def test_a_row_without_an_id_is_copied_into_a_form(plan: PlanStage) -> None:
    form = form_in(plan.page("/plan/quiet/2?") and plan.page("/plan/quiet/new?like=2"),
                   "/plan/quiet/new")  # fmt: skip

    assert [form[each] for each in ("from", "to", "max_level_dba")] == [
        ["21:00"], ["08:00"], ["72"],
    ]  # fmt: skip
    assert form["days"] == ["", "fri", "sat"]


def test_a_removed_row_takes_what_makes_no_sense_without_it_where_asked_for(
    plan: PlanStage,
) -> None:
    form = plan.form("/plan/boards/hedge", "/plan/boards/hedge/remove")
    shown = plain(plan.page("/plan/boards/hedge"))
    assert "Link hedge-radar to hedge-arm" in shown

    answer = plan.post("/plan/boards/hedge/remove", {**form, "with_uses": "yes"})

    assert answer.headers["location"] == "/plan/boards?saved=2"
    assert not re.search('(?:id|board|sensor|prop) = "hedge', plan.text)
    assert [e for e in difference(GARDEN, plan.text) if e.startswith("+")] == []


def test_another_id_is_written_everywhere_and_notes_stay_with_the_prop(plan: PlanStage) -> None:
    plan.notes.add(Note(0, 1, "Mara", "prop", "hedge-arm", "2026-10-01", "stuck", "oiled", ""))

    followed(plan, "/plan/props/hedge-arm", id="arm")

    assert difference(GARDEN, plan.text) == [
        '- sees = ["hedge-arm"]                # the arm moves in front of it',
        '+ sees = ["arm"]                # the arm moves in front of it',
        '- id = "hedge-arm"', '+ id = "arm"',
        '- prop = "hedge-arm"', '+ prop = "arm"',
    ]  # fmt: skip
    assert "oiled" in plan.page("/plan/props/arm")


def test_judged_lines_stay_with_a_prop_and_a_behaviour_that_are_renamed(plan: PlanStage) -> None:
    lines = LineStore(plan.engine, plan.engine)
    struck = PoolLine(
        "gatekeeper", "growl", "n1", "Odd.", None, State.STRUCK, "import", 1, "Mara", False
    )
    left = struck._replace(prop="warden", behaviour="snarl", by="nobody")
    other = struck._replace(prop="old-well", text="Deep.")
    lines.add([struck, left, other])

    followed(plan, "/plan/behaviours/gatekeeper.growl", id="snarl")
    followed(plan, "/plan/props/gatekeeper", id="warden")

    assert lines.of("warden", "snarl") == [struck._replace(prop="warden", behaviour="snarl")]
    assert lines.of("gatekeeper", "growl") == []
    assert lines.of("old-well", "growl") == [other]
    for version in (2, 1):
        plan.post(f"/plan/history/{version}", {"on": str(plan.version)})
    assert lines.of("gatekeeper", "growl") == [struck]


# --- two at once


def test_a_row_that_somebody_else_changed_is_refused_with_both_values(plan: PlanStage) -> None:
    mine = plan.form("/plan/props/gatekeeper")
    plan.keeper.patch_prop("gatekeeper", {"cooldown_s": 40, "priority": 3}, "Jory")
    mine["cooldown_s"], mine["name"] = ["33"], ["Warden"]

    answer = plan.post("/plan/props/gatekeeper", mine)

    assert answer.status_code == 409
    said = plain(answer.text)
    assert "Jory changed this while you had it open. Nothing of yours was saved." in said
    assert "Jory made it 40; yours is in the field." in said
    assert "Jory changed it; it was 1." in said
    kept = form_in(answer.text, "/plan/props/gatekeeper")
    assert [kept[each] for each in ("cooldown_s", "name", "priority", "on")] == [
        ["33"], ["Warden"], ["3"], ["2"],
    ]  # fmt: skip
    assert (plan.version, plan.shelf.versions(1)[0].by) == (2, "Jory")

    assert plan.post("/plan/props/gatekeeper", kept).status_code == 303
    assert "cooldown_s = 33" in plan.text
    assert "priority = 3" in plan.text


def test_it_is_said_who_changed_the_row_and_not_who_changed_the_show_last(
    plan: PlanStage,
) -> None:
    mine = plan.form("/plan/props/gatekeeper")
    plan.keeper.patch_prop("gatekeeper", {"cooldown_s": 40}, "Jory")
    plan.keeper.patch_prop("old-well", {"cooldown_s": 40}, "Wren")

    assert "Jory changed this" in plain(plan.post("/plan/props/gatekeeper", mine).text)


def test_a_row_that_somebody_changed_is_not_removed_unseen(plan: PlanStage) -> None:
    form = plan.form("/plan/hazards/1", "/plan/hazards/1/remove")
    plan.save("/plan/hazards/1", kind="kerb")

    answer = plan.post("/plan/hazards/1/remove", form)

    assert answer.status_code == 409
    assert "Mara changed this while you had it open. Look at it" in plain(answer.text)
    assert 'kind = "kerb"' in plan.text
    plan.post("/plan/hazards/2/remove", {})
    gone = {"on": form["on"][0]}
    assert plan.post("/plan/hazards/2/remove", gone).status_code == 404


def test_a_change_of_another_row_is_in_nobodys_way(plan: PlanStage) -> None:
    mine = plan.form("/plan/props/gatekeeper")
    plan.keeper.patch_prop("old-well", {"cooldown_s": 40}, "Jory")
    mine["cooldown_s"] = ["33"]

    assert plan.post("/plan/props/gatekeeper", mine).headers["location"].endswith("saved=3")
    assert "cooldown_s = 33" in plan.text
    assert "cooldown_s = 40" in plan.text


def test_a_row_that_was_removed_meanwhile_is_offered_as_a_new_one(plan: PlanStage) -> None:
    mine = plan.form("/plan/hazards/2")
    plan.post("/plan/hazards/2/remove", {})
    mine["x_m"] = ["7"]

    answer = plan.post("/plan/hazards/2", mine)

    assert answer.status_code == 409
    assert "removed or renamed it meanwhile" in plain(answer.text)
    form = form_in(answer.text, "/plan/hazards/new")
    assert form["x_m"] == ["7"]
    assert plan.post("/plan/hazards/new", form).headers["location"] == "/plan/hazards/2?saved=3"


def test_a_numbered_row_that_moved_up_is_not_taken_for_its_neighbour(plan: PlanStage) -> None:
    mine = plan.form("/plan/hazards/1")
    plan.post("/plan/hazards/1/remove", {})
    mine["x_m"] = ["7"]

    assert plan.post("/plan/hazards/1", mine).status_code == 409
    assert "x_m = 7" not in plan.text


# --- the sums


def test_what_is_typed_is_checked_beside_its_field_and_nothing_is_kept(plan: PlanStage) -> None:
    plan.begin(FAULTY)
    form = plan.form("/plan/behaviours/gatekeeper.grab")
    said = plan.check("/plan/behaviours/gatekeeper.grab", {**form, "duration_s": "x"})
    assert plan.version == 1

    [beside] = re.findall(
        r'<hx-partial hx-target="#said-duration_s" hx-swap="innerHTML">(.*?)</hx-partial>',
        said, re.DOTALL,
    )  # fmt: skip
    assert plain(beside).strip().startswith("Is 'x'. Allowed: seconds")
    assert "<html" not in said
    assert "1 to mend" in said


def test_the_sums_stand_beside_the_field_they_concern(plan: PlanStage) -> None:
    plan.begin(FAULTY)
    page = plan.page("/plan/boards/gate")

    beside = dict(re.findall(r'<div id="said-([\w-]+)">(.*?)</div>', page, re.DOTALL))
    told = {name: plain(each).strip() for name, each in beside.items() if each.strip()}
    assert any("pin" in each for each in [told.get("pins", "")]), told
    assert all(re.match(r"(Must|Should|Note):", each) for each in told.values())


def test_a_value_that_cures_a_finding_says_so_before_it_is_saved(plan: PlanStage) -> None:
    plan.begin(FAULTY)
    form = plan.form("/plan/props/gatekeeper")
    before = plain(plan.page("/plan/props/gatekeeper"))
    said = plain(plan.check("/plan/props/gatekeeper", {**form, "cut_off": "lever at the post"}))

    assert "nobody wrote down where its own switch or valve is" in before
    assert re.search(r"1 finding goes away|findings go away", said)


def test_what_is_still_to_come_is_no_fault_while_somebody_types(plan: PlanStage) -> None:
    form = plan.form("/plan/props/new")
    assert "Is missing" not in plan.check("/plan/props/new", {**form, "id": "rat"})

    whole = plan.post("/plan/props/new/check", {**form, "id": "rat"})
    assert whole.status_code == 200
    assert "<html" in whole.text
    assert "Is missing" in whole.text
    assert form_in(whole.text, "/plan/props/new")["id"] == ["rat"]


def test_a_pack_says_whether_it_lasts_with_what_is_typed(plan: PlanStage) -> None:
    form = plan.form("/plan/boards/well")
    good = plain(plan.check("/plan/boards/well", form))
    bad = plain(plan.check("/plan/boards/well", {**form, "battery.capacity_mah": "300"}))

    assert "Pack of well: lasts till close with P over 0.99" in good
    assert "Pack of well: lasts till close with P under 0.01" in bad


# --- who, and how dear


def test_whoever_may_not_change_the_show_reads_it_and_finds_no_form(plan: PlanStage) -> None:
    plan.become("crew")
    page = plan.page("/plan/props/gatekeeper")
    assert 'action="/plan/props/gatekeeper"' not in page
    assert "18 s" in plain(page)
    assert plan.post("/plan/props/gatekeeper", {"cooldown_s": "3"}).status_code == 403
    assert plan.text == GARDEN


@pytest.mark.parametrize(
    "path",
    ["/plan", "/plan/props", "/plan/props/gatekeeper?saved=2", "/plan/history", "/plan/notes",
     "/plan/history/1", "/plan/show?saved=2", "/plan/props/new"],
)  # fmt: skip
def test_no_page_asks_the_database_more_than_three_times(plan: PlanStage, path: str) -> None:
    plan.keeper.patch_prop("gatekeeper", {"cooldown_s": 40}, "Jory")
    plan.statements.clear()
    plan.page(path)
    assert len(plan.statements) <= 3, plan.statements


NOWHERE = (
    "/plan/potato",
    "/plan/props/nobody",
    "/plan/behaviours/owl.x",
    "/plan/nights/9",
    "/plan/nights/0",
    "/plan/nights/%7E1",
)


@pytest.mark.parametrize("path", NOWHERE)
def test_what_is_not_there_is_said_so(plan: PlanStage, path: str) -> None:
    answer = plan.client.get(path)

    assert answer.status_code == 404
    assert plan.post(path, {"x": "1"}).status_code in {404, 405}
