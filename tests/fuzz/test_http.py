"""Goal: whatever is asked by whomever, there is an answer in time, no secret, no more than a role.

Method: a few hundred requests drawn by schemathesis, Hypothesis and a seed, against a real server;
the law that judges them is itself held against planted faults. More by `python -m tests.fuzz.http`.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from haunt.site.rights import Role
from haunt.site.security import HEADERS
from tests.fuzz.http import Run
from tests.fuzz.httpdraw import FORM, composed
from tests.fuzz.httphouse import Answer, Asked, Caller, FuzzHouse, callers, fuzz_house
from tests.fuzz.httplaw import MARK, faults_of, too_much
from tests.outside.registry import outside
from tests.system.house import Server

EXAMPLES = 80
NOBODY, OWNER = Caller("nobody"), Caller("program of owner", Role.OWNER, bearer="haunt_x")
GOOD = Answer(200, {**HEADERS, "content-type": "text/html"}, b"a page", 0.1)
PAPER = FuzzHouse(Server(Path("data"), Path("show"), port=80), callers(), frozenset({"the-secret"}))


@pytest.fixture(scope="module")
def house() -> Iterator[FuzzHouse]:
    with fuzz_house() as found:
        yield found


def asked(caller: Caller, method: str, target: str, trick: str = "plain") -> Asked:
    return composed(PAPER, caller, method, target, trick=trick)


@pytest.mark.system
def test_a_real_server_answers_all_that_it_is_asked_and_gives_nothing_away(
    house: FuzzHouse,
) -> None:
    outcome = Run(house, 11).everything(EXAMPLES)

    assert outcome.failures == []
    outside("http/openapi").agrees(cases=EXAMPLES)
    assert outcome.noted["status 200"] > 3, "what comes after the doors was reached"
    assert outcome.noted["status 401"] + outcome.noted["status 403"] > 1


ODD = {
    "an id that no database has": ("POST", "/people/links/9223372036854775808/end", b"", FORM),
    "an id below all": ("POST", "/account/sessions/-9223372036854775809/end", b"", FORM),
    "the first day of all": ("GET", "/api/v1/nights/0001-01-01/report", b"", ""),
    "the last day of all": ("GET", "/nights/9999-12-31", b"", ""),
    "lists without end": ("PUT", "/api/v1/show", b'{"a":' * 50_000, "application/json"),
    "tables without end": ("PUT", "/api/v1/show", b"a=" + b"[" * 50_000, "application/toml"),
    "no text": ("PUT", "/api/v1/show", b"# caf\xe9", "application/toml"),
    "half a letter": ("POST", "/api/v1/phase", b'{"phase":"\\ud800"}', "application/json"),
    "a control letter": ("POST", "/api/v1/phase", b'{"phase":"\\u0000"}', "application/json"),
    "an origin that is none": ("POST", "/stop", b"", FORM),
}


@pytest.mark.system
@pytest.mark.parametrize("what", ODD)
def test_what_once_failed_is_refused_in_words(house: FuzzHouse, what: str) -> None:
    house.mend()
    method, target, body, kind = ODD[what]
    owners = {each.name: each for each in house.callers if each.role is Role.OWNER}
    owner = owners["program of owner" if target.startswith("/api/") else "owner at a page"]
    more = {"origin": "http://["} if what == "an origin that is none" else {}
    request = composed(house, owner, method, target, body=body, kind=kind, more=more)

    answer = house.answer(request)

    assert faults_of(house, request, answer) == []
    assert answer.status in {403, 404, 422}, answer.body


@pytest.mark.system
def test_a_request_for_a_web_socket_is_answered_as_the_page_it_asks_for(house: FuzzHouse) -> None:
    heads = {"upgrade": "websocket", "sec-websocket-key": "eA==", "sec-websocket-version": "13"}
    request = composed(house, NOBODY, "GET", "/", more={**heads, "connection": "Upgrade"})

    answer = house.answer(replace(request, trick="raw: it says connection: Upgrade"))

    assert (answer.status, answer.headers["location"]) == (303, "/sign-in")


@pytest.mark.system
def test_more_than_a_show_file_is_refused_however_it_comes(house: FuzzHouse) -> None:
    owner = next(each for each in house.callers if each.name == "program of owner")
    for trick in ("too much", "too much in pieces"):
        request = composed(house, owner, "PUT", "/api/v1/show", trick=trick)
        assert house.answer(request).status == 413
    assert too_much() > 1 << 20


# --- the law itself


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (replace(GOOD, status=500), "status 500"),
        (replace(GOOD, status=0), "closed without an answer"),
        (replace(GOOD, body=b"it is the-secret"), "tells a secret"),
        (replace(GOOD, body=b"Traceback (most recent call last)"), "tells b'Traceback"),
        (replace(GOOD, body=b"sqlite3.OperationalError"), "tells b'sqlite3."),
        (replace(GOOD, body=MARK.encode()), "brings markup"),
        (replace(GOOD, headers={}), "has no content-security-policy"),
        (replace(GOOD, took_s=60), "took 60.0 s"),
    ],
)
def test_a_fault_in_an_answer_is_seen(answer: Answer, says: str) -> None:
    plain = asked(OWNER, "GET", "/livez")

    assert faults_of(PAPER, plain, GOOD) == []
    assert any(each.startswith(says) for each in faults_of(PAPER, plain, answer))


@pytest.mark.parametrize(
    ("request_", "statuses"),
    [
        (asked(NOBODY, "GET", "/people"), {303}),
        (asked(NOBODY, "POST", "/api/v1/stop"), {401}),
        (asked(OWNER, "GET", "/people"), {401}),
        (asked(OWNER, "POST", "/api/v1/hold", "a foreign host"), {400}),
        (asked(OWNER, "POST", "/api/v1/hold", "a foreign page"), {403}),
        (asked(OWNER, "PUT", "/api/v1/show", "too much"), {413}),
    ],
    ids=lambda each: each.target if isinstance(each, Asked) else "",
)
def test_who_gets_more_than_they_may_is_seen(request_: Asked, statuses: set[int]) -> None:
    assert faults_of(PAPER, request_, GOOD) != []
    for status in statuses:
        refused = replace(GOOD, status=status, headers={**GOOD.headers, "location": "/sign-in"})
        assert faults_of(PAPER, request_, refused) == []


def test_an_owner_lured_by_another_page_is_worth_nothing() -> None:
    lured = [each for each in callers() if each.name.startswith("an owner lured")]

    assert len(lured) == 2
    for each in lured:
        request = composed(PAPER, each, "POST", "/api/v1/hold")
        assert faults_of(PAPER, request, GOOD) != []
        assert faults_of(PAPER, request, replace(GOOD, status=403)) == []
