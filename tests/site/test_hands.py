"""Goal: who works on a prop is known by name, and nobody else ends it; holds, service, mutes, arm.

Method: the application on an invented evening, asked as a browser and as a program.
"""

import pytest

from haunt.core import events
from haunt.core.people import ARMED
from haunt.live.views import AlertView, PropWord
from tests.site.night import DUSK_MS
from tests.site.stage import HTMX, OWN, Stage

API = "/api/v1"


def lock(stage: Stage, prop: str = "owl", on: str = "true") -> int:
    return stage.client.post(f"/props/{prop}/lock-out", headers=OWN, data={"on": on}).status_code


def test_a_lock_out_carries_the_name_of_who_works_on_it(stage: Stage) -> None:
    stage.become("crew")
    assert lock(stage) == 303

    [order] = stage.desk.orders
    assert isinstance(order, events.LockedOut)
    assert (order.prop, order.on, order.by) == ("owl", True, "Jory")
    assert "Jory works on it" in stage.client.get("/props/owl").text


def test_only_who_set_it_or_an_owner_ends_it(stage: Stage) -> None:
    stage.become("crew")
    assert lock(stage, "well", "false") == 422, "Ada set it"
    assert lock(stage, "well") == 422, "nor is it taken over"
    assert stage.desk.orders == []

    stage.become("owner")
    assert lock(stage, "well", "false") == 303


def test_who_set_it_ends_it(stage: Stage) -> None:
    stage.become("crew")
    lock(stage)
    assert lock(stage, on="false") == 303

    assert stage.desk.view().props["owl"].locked_by == ""


def test_the_refusal_names_who_it_is(stage: Stage) -> None:
    stage.become("crew")
    answer = stage.client.post("/props/well/lock-out", headers=HTMX, data={"on": "false"})

    assert answer.status_code == 422
    assert "only Ada, or an owner, ends that" in answer.text


def test_the_page_says_that_only_they_or_an_owner_end_it_and_that_it_cuts_nothing_off(
    stage: Stage,
) -> None:
    text = stage.client.get("/props/well").text

    assert "Only Ada, or an owner, ends it." in text
    assert "no cut-off" in text


@pytest.mark.parametrize(("out", "word"), [("true", PropWord.OUT_OF_SERVICE), ("false", "ready")])
def test_a_prop_is_taken_out_of_service_and_back(stage: Stage, out: str, word: str) -> None:
    stage.client.post("/props/owl/service", headers=OWN, data={"out": "true"})
    stage.client.post("/props/owl/service", headers=OWN, data={"out": out})

    assert stage.desk.view().props["owl"].word == word


def test_programs_lock_out_and_serve_by_the_same_law(stage: Stage) -> None:
    stage.show_token("crew")
    locked = stage.client.post(f"{API}/props/owl/lock-out", json={"on": True})
    refused = stage.client.post(f"{API}/props/well/lock-out", json={"on": False})
    out = stage.client.post(f"{API}/props/lantern/service", json={"out": True})

    assert (locked.status_code, locked.json()["held_by"]) == (200, "token bench")
    assert refused.status_code == 422
    assert out.json()["state"] == "out of service"
    assert stage.client.post(f"{API}/props/nobody/service", json={"out": True}).status_code == 404


def test_hold_all_for_a_minute_and_until_released_are_two_buttons(stage: Stage) -> None:
    text = stage.client.get("/").text
    assert "Hold all 60&nbsp;s" in text

    stage.client.post("/hold", headers=OWN, data={"for_s": "60"})
    stage.client.post("/hold", headers=OWN)

    timed, until = stage.desk.orders
    assert isinstance(timed, events.Held)
    assert isinstance(until, events.Held)
    assert (timed.prop, timed.for_ms, until.for_ms) == (None, 60_000, None)


def test_a_timed_hold_of_all_says_that_armed_props_stay_held(stage: Stage) -> None:
    answer = stage.client.post("/hold", headers=HTMX, data={"for_s": "60"})

    assert "for 60 s; those armed by hand until released" in answer.text


def test_a_prop_that_waits_to_be_armed_has_a_button_of_that_name(stage: Stage) -> None:
    stage.desk.change_prop("hound", held_by=ARMED)

    text = stage.client.get("/props/hound").text
    assert 'aria-label="Arm Cellar hound"' in text
    assert "only where you can see it" in text
    assert ">Arm</button>" in stage.client.get("/").text


def test_a_sensor_is_muted_for_minutes_from_the_page_of_its_prop(stage: Stage) -> None:
    assert 'action="/sensors/owl-eye/mute"' in stage.client.get("/props/owl").text
    stage.client.post("/sensors/owl-eye/mute", headers=OWN, data={"for_s": "600"})

    [order] = stage.desk.orders
    assert isinstance(order, events.Muted)
    assert (order.sensor, order.on, order.for_ms, order.by) == ("owl-eye", True, 600_000, "Mara")
    assert "Muted" in stage.client.get("/props/owl").text
    assert 'action="/sensors/owl-eye/unmute"' in stage.client.get("/props/owl").text


def test_a_sensor_that_is_not_there_cannot_be_muted(stage: Stage) -> None:
    assert stage.client.post("/sensors/nobody/mute", headers=OWN).status_code == 404
    assert stage.client.post(f"{API}/sensors/nobody/unmute", headers=OWN).status_code in {401, 404}


@pytest.mark.parametrize("kind", ["chatter", "stuck"])
def test_a_noisy_sensor_has_mute_beside_its_alert(stage: Stage, kind: str) -> None:
    alert = AlertView(f"{kind} owl-eye", DUSK_MS, "Sensor owl-eye: noisy", 7, kind=kind,
                      subject="owl-eye")  # fmt: skip
    stage.desk.change(alerts=(alert,))
    text = stage.client.get("/").text

    assert 'action="/sensors/owl-eye/mute"' in text
    assert "Mute 10 min" in text
    assert 'href="/walk#eye-owl-eye"' in text


def test_a_muted_sensor_is_not_muted_twice(stage: Stage) -> None:
    alert = AlertView("chatter owl-eye", DUSK_MS, "noisy", 7, kind="chatter", subject="owl-eye")
    stage.desk.change(alerts=(alert,))
    stage.desk.change_sensor("owl-eye", muted=True)

    assert 'action="/sensors/owl-eye/mute"' not in stage.client.get("/").text
