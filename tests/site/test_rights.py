"""Goal: every route of the application has one least role, and nobody without it gets through.

Method: the application's own routes are walked and held against the table; each is asked by
everybody, and what the gate takes a request for is held against what the router takes it for.
"""

from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute, Mount, Route

from haunt.site.gate import NEVER_SENT_ON
from haunt.site.rights import CREW, NOBODY, OWNER, RIGHTS, WATCH, Right, find
from haunt.site.security import SAFE
from tests.site.stage import OWN, Stage, a_stage

ROLES = {"": NOBODY, "watch": WATCH, "crew": CREW, "owner": OWNER}
GUARDED = [each for each in RIGHTS if each.least > NOBODY]
FILLED = {
    "{path:path}": "haunt.css",
    "{prop}": "owl",
    "{day}": "2026-10-31",
    "{sensor}": "owl-eye",
    "{chapter}": "rules",
    "{kind}": "cue",
}
STREAMS = frozenset({"/stream", "/api/v1/live"})
"""They never end by themselves; test_live.py and test_gate.py listen to them."""
SIGNS_OUT = frozenset({"/sign-out", "/sign-out-everywhere"})
TOO_LITTLE = [(each, role) for each in GUARDED for role, its in ROLES.items() if its < each.least]
ENOUGH = [
    (each, role)
    for each in GUARDED
    for role, its in ROLES.items()
    if its >= each.least and each.path not in STREAMS
]


def named(value: object) -> str:
    if isinstance(value, Right):
        return f"{value.method} {value.path}"
    return str(value) or "nobody"


def is_page(right: Right) -> bool:
    is_seen = right.method == "GET" and not right.path.startswith("/api/")
    return is_seen and right.path not in NEVER_SENT_ON


def walked(routes: list[BaseRoute]) -> Iterator[BaseRoute]:
    for each in routes:
        inner = getattr(each, "original_router", None)
        if inner is not None:
            yield from walked(inner.routes)
        else:
            yield each


def routes_of(app: FastAPI) -> set[tuple[str, str]]:
    found = set()
    for each in walked(app.routes):
        if isinstance(each, Mount):
            found.add(("GET", f"{each.path}/{{path:path}}"))
        else:
            assert isinstance(each, Route | APIRoute), each
            methods = (each.methods or set()) - {"HEAD"}
            found |= {(method, each.path) for method in methods}
    return found


def path_of(right: Right) -> str:
    path = right.path
    for name, value in FILLED.items():
        path = path.replace(name, value)
    return "/".join("1" if part.startswith("{") else part for part in path.split("/"))


def test_the_table_names_every_route_of_the_application_and_no_other(stage: Stage) -> None:
    app = stage.client.app
    assert isinstance(app, FastAPI)

    assert routes_of(app) == {(each.method, each.path) for each in RIGHTS}


def test_every_change_has_a_word_for_the_logbook() -> None:
    assert [each.path for each in RIGHTS if each.method not in SAFE and not each.what] == []


@pytest.mark.parametrize("right", RIGHTS, ids=lambda each: f"{each.method} {each.path}")
def test_the_gate_takes_a_path_for_the_same_route_as_the_router(right: Right) -> None:
    assert find(right.method, path_of(right)).right == right


@pytest.fixture(scope="module")
def house() -> Iterator[Stage]:
    with a_stage() as found:
        yield found


@pytest.mark.parametrize(("right", "role"), TOO_LITTLE, ids=named)
def test_whoever_has_less_than_the_least_role_is_refused_in_words(
    house: Stage, right: Right, role: str
) -> None:
    before = len(house.desk.orders)
    house.become(role)

    answer = house.client.request(right.method, path_of(right), headers=OWN)

    assert len(house.desk.orders) == before
    if role:
        assert answer.status_code == 403
        assert f"this needs {right.least.word}" in answer.text
    elif is_page(right):
        assert answer.status_code == 303
        assert answer.headers["location"].startswith("/sign-in")
    else:
        assert answer.status_code == 401
        assert "not signed in" in answer.text


@pytest.mark.parametrize(("right", "role"), ENOUGH, ids=named)
def test_the_least_role_and_each_above_it_is_enough(house: Stage, right: Right, role: str) -> None:
    if right.method == "GET":
        house.become(role)
        let_in(house, right)
        return
    with a_stage(role=role) as stage:  # a change may be the end of whoever made it
        let_in(stage, right)


def let_in(stage: Stage, right: Right) -> None:
    answer = stage.client.request(right.method, path_of(right), headers=OWN)

    assert answer.status_code not in {401, 403, 405}, answer.text
    is_sent_away = answer.headers.get("location", "").startswith("/sign-in")
    assert is_sent_away == (right.path in SIGNS_OUT)


@pytest.mark.parametrize("right", GUARDED, ids=lambda each: f"{each.method} {each.path}")
def test_a_token_of_a_lesser_role_is_refused_and_no_bearer_gets_past_a_page(
    house: Stage, right: Right
) -> None:
    house.become("")
    house.client.headers["authorization"] = "Bearer haunt_wrong"
    answer = house.client.request(right.method, path_of(right), headers=OWN)
    assert answer.status_code in {303, 401}
    if right.least is not WATCH and right.path.startswith("/api/"):
        house.show_token("watch")
        assert house.client.request(right.method, path_of(right)).status_code == 403


def test_only_crew_may_release_and_everybody_who_is_in_may_stop() -> None:
    rights = {(each.method, each.path): each.least for each in RIGHTS}

    assert rights["POST", "/stop"] is rights["POST", "/api/v1/stop"] is WATCH
    assert rights["POST", "/release"] is rights["POST", "/api/v1/stop/release"] is CREW


def test_what_is_in_no_table_is_not_there_and_a_stranger_is_not_even_told(stage: Stage) -> None:
    assert stage.client.get("/nothing").status_code == 404
    assert stage.client.delete("/api/v1/props/owl", headers=OWN).status_code == 405
    stage.become("")
    assert stage.client.get("/nothing").headers["location"] == "/sign-in?next=%2Fnothing"
    assert stage.client.get("/api/v1/nothing").status_code == 401


def test_a_route_that_was_forgotten_in_the_table_lets_nobody_in(stage: Stage) -> None:
    app = stage.client.app
    assert isinstance(app, FastAPI)
    app.add_api_route("/forgotten", lambda: "secret")

    assert stage.client.get("/forgotten").status_code == 404
