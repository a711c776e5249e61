"""Goal: from an empty show to an open night by forms alone, each step all or nothing.

Method: the forms as they stand in the page, sent back with one field typed.
"""

from haunt.wire.firstshow import empty_show
from haunt.wire.showfile import read_show
from tests.site.plan.stage import PlanStage

PROP, DOORS = "/first/prop", "/first/doors"


def begun(plan: PlanStage) -> PlanStage:
    return plan.begin(empty_show("Europe/Vienna"))


def test_one_typed_word_makes_a_show_that_plays(plan: PlanStage) -> None:
    begun(plan)
    answer = plan.save("/first", PROP, name="Gatekeeper")
    show = read_show(plan.text, "show").show

    assert (answer.status_code, answer.headers["location"]) == (303, f"/first?saved={plan.version}")
    assert [each.name for each in show.props] == ["Gatekeeper"]
    assert len(show.boards) == len(show.sensors) == len(show.links) == 1
    assert show.info.time_zone == "Europe/Vienna"
    assert "/plan/props/gatekeeper" in plan.page("/first")


def test_what_was_added_can_be_undone(plan: PlanStage) -> None:
    before = begun(plan).text
    saved = plan.save("/first", PROP, name="Gatekeeper").headers["location"]
    html = plan.page(saved)
    back = f"/plan/history/{plan.version - 1}"
    fields = plan.form(saved, back)

    assert "Undo" in html
    assert plan.post(back, fields).status_code == 303
    assert plan.text == before


def test_the_hours_of_a_night_are_one_tap(plan: PlanStage) -> None:
    begun(plan).save("/first", PROP, name="Gatekeeper")
    assert plan.save("/first", DOORS).status_code == 303
    [night] = read_show(plan.text, "show").show.nights

    assert night.opens.minutes < night.closes.minutes


def test_the_page_says_how_the_doors_stand_by_hand(plan: PlanStage) -> None:
    before = plan.desk.view().doors
    assert "by hand just now" not in plan.page("/first")
    plan.desk.change(doors="closed")
    assert "Closed by hand just now" in plan.page("/first")
    plan.desk.change(doors=before)


def test_a_prop_without_a_name_is_refused_in_words(plan: PlanStage) -> None:
    before = begun(plan).text
    answer = plan.save("/first", PROP, name="  ")

    assert answer.status_code == 422
    assert "A prop needs a name" in answer.text
    assert plan.text == before


def test_what_the_file_does_not_allow_is_said_and_what_was_typed_stays(plan: PlanStage) -> None:
    before = begun(plan).text
    answer = plan.save("/first", PROP, name="Owl", duration_s="0", cooldown_s="77")

    assert answer.status_code == 422
    assert "duration_s" in answer.text
    assert 'value="Owl"' in answer.text
    assert 'value="77"' in answer.text
    assert plan.text == before


def test_pins_that_are_typed_stand_in_the_file(plan: PlanStage) -> None:
    begun(plan).save("/first", PROP, name="Owl", sensor_pin="4", prop_pin="16")

    assert read_show(plan.text, "show").show.boards[0].pins == {"owl-pir": 4, "owl": 16}


def test_only_an_owner_begins_a_show(plan: PlanStage) -> None:
    begun(plan)
    for role in ("crew", "watch"):
        plan.become(role)
        assert plan.client.get("/first").status_code == 403
