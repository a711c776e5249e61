"""Goal: programs read and order by JSON, and every mistake is told as problem+json.

Method: the real application on an invented evening in memory; a token, and no origin.
"""

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from haunt.core import events
from tests.outside.registry import outside
from tests.site.night import a_row
from tests.site.stage import Stage, a_stage

API = "/api/v1"


@pytest.fixture
def stage() -> Iterator[Stage]:
    with a_stage() as found:
        found.show_token()
        yield found


def is_problem(answer: Any, status: int) -> bool:
    return (
        answer.status_code == status
        and answer.headers["content-type"] == "application/problem+json"
        and answer.json()["status"] == status
        and bool(answer.json()["title"])
        and bool(answer.json()["detail"])
    )


def test_props_are_listed_with_their_state_and_what_they_can_do(stage: Stage) -> None:
    listed = stage.client.get(f"{API}/props").json()

    assert listed["next"] is None
    found = {each["id"]: each for each in listed["items"]}
    assert len(found) == 10
    assert (found["porter"]["state"], found["porter"]["here"]) == ("lost", False)
    assert found["ferry"]["until"] == "2026-10-31T18:31:15.000Z"
    assert found["owl"] == stage.client.get(f"{API}/props/owl").json()


def test_a_patch_changes_the_cooldown_and_answers_with_the_new_one(stage: Stage) -> None:
    answer = stage.client.patch(f"{API}/props/owl", json={"cooldown_s": 7.5})

    assert answer.json()["cooldown_s"] == 7.5
    assert stage.client.get(f"{API}/props/owl").json()["cooldown_s"] == 7.5


@pytest.mark.parametrize("body", [{"cooldown_s": -1}, {"hourly_cap": 0}, {"colour": "red"}])
def test_a_patch_out_of_range_or_of_an_unknown_setting_changes_nothing(
    stage: Stage, body: dict[str, object]
) -> None:
    answer = stage.client.patch(f"{API}/props/owl", json=body)

    assert is_problem(answer, 422)
    assert next(iter(body)) in answer.json()["detail"]
    assert stage.client.get(f"{API}/props/owl").json()["cooldown_s"] == 12


def test_the_same_idempotency_key_fires_once(stage: Stage) -> None:
    key = {"idempotency-key": "first-press"}

    first = stage.client.post(f"{API}/props/owl/fire", headers=key).json()
    again = stage.client.post(f"{API}/props/owl/fire", headers=key).json()
    other = stage.client.post(f"{API}/props/owl/fire", headers={"idempotency-key": "n"}).json()

    assert [each["outcome"] for each in first["decisions"]] == ["fired"]
    assert again == first
    assert len(other["decisions"]) == 1
    keys = [each.key for each in stage.desk.orders if isinstance(each, events.FiredByHand)]
    assert keys == ["h-first-press", "h-n"]


def test_an_unknown_behaviour_is_refused_with_the_known_ones(stage: Stage) -> None:
    answer = stage.client.post(f"{API}/props/owl/fire", json={"behaviour": "dance"})

    assert is_problem(answer, 422)
    assert "wake, murmur" in answer.json()["detail"]


def test_a_hold_for_seconds_reaches_the_desk_in_milliseconds(stage: Stage) -> None:
    answer = stage.client.post(f"{API}/props/owl/hold", json={"for_s": 60})

    assert answer.json()["state"] == "held"
    [order] = stage.desk.orders
    assert isinstance(order, events.Held)
    assert (order.prop, order.for_ms) == ("owl", 60_000)

    stage.client.post(f"{API}/props/owl/release")
    assert stage.client.get(f"{API}/props/owl").json()["state"] == "ready"


def test_a_prop_armed_by_hand_refuses_a_hold_that_ends_by_itself(stage: Stage) -> None:
    answer = stage.client.post(f"{API}/props/hound/hold", json={"for_s": 60})

    assert is_problem(answer, 422)
    assert stage.desk.orders == []


def test_a_stop_latches_names_the_silent_and_is_released_by_its_own_order(stage: Stage) -> None:
    stopped = stage.client.post(f"{API}/stop").json()
    assert stopped["stopped"] is True
    assert stopped["unheard"] == ["b-porter"]
    assert stage.client.get(f"{API}/props/owl").json()["state"] == "stopped"

    stage.client.post(f"{API}/release")
    assert stage.desk.view().stopped, "releasing holds is not releasing the stop"

    released = stage.client.post(f"{API}/stop/release").json()
    assert released["stopped"] is False


def test_a_phase_by_hand_and_a_muted_sensor_reach_the_desk(stage: Stage) -> None:
    phase = stage.client.post(f"{API}/phase", json={"phase": "gentle", "for_s": 180})
    muted = stage.client.post(f"{API}/sensors/owl-eye/mute", json={"for_s": 30})
    unmuted = stage.client.post(f"{API}/sensors/owl-eye/unmute")

    assert phase.json() == {"phases": ["gentle"]}
    assert muted.json() == {"sensor": "owl-eye", "muted": True}
    assert unmuted.json() == {"sensor": "owl-eye", "muted": False}
    kinds = [type(each).__name__ for each in stage.desk.orders]
    assert kinds == ["PhaseByHand", "Muted", "Muted"]


def test_decisions_are_filtered_by_what_was_asked(stage: Stage) -> None:
    asked: dict[str, str | int] = {
        "prop": "owl",
        "outcome": "fired",
        "since": "2026-10-31T18:00:00Z",
        "limit": 5,
    }

    items = stage.client.get(f"{API}/decisions", params=asked).json()["items"]

    assert {(each["prop"], each["outcome"]) for each in items} == {("owl", "fired")}
    [told] = stage.reader.asked
    assert (told["since_ms"], told["limit"], told["reason"]) == (1_793_469_600_000, 5, None)


@pytest.mark.parametrize("asked", [{"since": "teatime"}, {"limit": 0}, {"after": "x"}])
def test_a_list_asked_for_nonsense_says_what_is_wrong(
    stage: Stage, asked: dict[str, str | int]
) -> None:
    answer = stage.client.get(f"{API}/decisions", params=asked)

    assert is_problem(answer, 422)
    assert next(iter(asked)) in answer.json()["detail"]


@pytest.mark.parametrize("name", ["motions", "health", "reports", "alerts"])
def test_each_list_has_items_and_a_cursor(stage: Stage, name: str) -> None:
    assert stage.client.get(f"{API}/{name}").json() == {"items": [], "next": None}


def test_csv_is_rfc_4180_and_no_cell_is_a_formula(stage: Stage) -> None:
    stage.reader.rows = [
        a_row(1, "=cmd()", "fired"),
        a_row(2, 'say "boo", twice', "refused", "held"),
        a_row(3, "@owl", "fired"),
    ]

    answer = stage.client.get(f"{API}/decisions", headers={"accept": "text/csv"})

    assert answer.headers["content-type"].startswith("text/csv")
    assert "attachment" in answer.headers["content-disposition"]
    lines = answer.text.split("\r\n")
    assert lines[0].startswith("id,at,source,")
    assert lines[-1] == "", "the last line ends too"
    assert "\n" not in "".join(lines), "no bare line feed"
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    assert [row["prop"] for row in rows] == ["'=cmd()", 'say "boo", twice', "'@owl"]
    outside("csv/rows").agrees(cases=len(rows))


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/props/nobody"),
        ("PATCH", "/props/nobody"),
        ("POST", "/props/nobody/fire"),
        ("POST", "/props/nobody/hold"),
        ("POST", "/props/nobody/release"),
        ("GET", "/nothing"),
    ],
)
def test_what_does_not_exist_is_a_problem_with_404(stage: Stage, method: str, path: str) -> None:
    body: dict[str, object] | None = {} if method == "PATCH" else None
    assert is_problem(stage.client.request(method, API + path, json=body), 404)
    outside("problems/json").agrees()


def test_a_crash_is_a_problem_without_its_trace(stage: Stage) -> None:
    stage.reader.failing = OSError("secret path /var/lib")

    answer = stage.client.get(f"{API}/decisions")

    assert is_problem(answer, 500)
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text


def test_the_show_file_comes_as_toml_or_json_and_is_put_whole(stage: Stage) -> None:
    toml = stage.client.get(f"{API}/show", headers={"accept": "application/toml"})
    put = stage.client.put(f"{API}/show", content="[show]\n")

    assert toml.text.startswith("[show]")
    assert stage.client.get(f"{API}/show").json() == {"show": {"id": "garden"}}
    assert put.json() == {"version": 2}
    assert stage.keeper.put_texts == ["[show]\n"]


def test_health_says_alive_and_names_what_is_not_ready(stage: Stage) -> None:
    assert stage.client.get("/livez").status_code == 200
    assert stage.client.get("/readyz").json() == {"ready": True, "faults": {}}

    stage.desk.change(link_up=False)

    answer = stage.client.get("/readyz")
    assert answer.status_code == 503
    assert list(answer.json()["faults"]) == ["broker"]
    assert stage.client.get("/livez").status_code == 200


def test_metrics_count_boards_and_streams(stage: Stage) -> None:
    text = stage.client.get("/metrics").text

    assert "\nhaunt_boards 10\n" in text
    assert "\nhaunt_boards_here 9\n" in text
    assert "\nhaunt_streams 0\n" in text
    assert "# TYPE haunt_motions_total counter\n" in text
