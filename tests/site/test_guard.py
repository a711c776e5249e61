"""Goal: only our own pages and plain programs change anything, and each answer is armoured.

Method: requests with foreign names and origins against the real application in memory.
"""

import pytest

from tests.site.stage import OWN, PAGES, Stage

ANSWERS = (*PAGES, "/nothing", "/props/nobody", "/livez", "/readyz", "/metrics")
MORE = ("/api/v1/props", "/api/v1/nothing", "/static/haunt.css", "/static/nothing.css")


def policy_of(headers: dict[str, str]) -> dict[str, str]:
    rules = headers["content-security-policy"].split(";")
    return {name: value for name, _, value in (rule.strip().partition(" ") for rule in rules)}


def assert_is_armoured(headers: dict[str, str]) -> None:
    policy = policy_of(headers)
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["x-frame-options"] == "DENY"


@pytest.mark.parametrize("path", [*ANSWERS, *MORE])
def test_each_answer_carries_the_policy(stage: Stage, path: str) -> None:
    assert_is_armoured(dict(stage.client.get(path).headers))


def test_a_crash_carries_the_policy_too(stage: Stage) -> None:
    stage.reader.failing = OSError("gone")

    for path in ("/log", "/api/v1/decisions"):
        answer = stage.client.get(path)
        assert answer.status_code == 500
        assert_is_armoured(dict(answer.headers))


def test_a_refusal_carries_the_policy_too(stage: Stage) -> None:
    assert_is_armoured(dict(stage.client.post("/stop").headers))
    assert_is_armoured(dict(stage.client.get("/", headers={"host": "evil.example"}).headers))


@pytest.mark.parametrize("path", [*PAGES, "/api/v1/props", "/metrics"])
def test_pages_are_never_kept_by_a_browser(stage: Stage, path: str) -> None:
    assert stage.client.get(path).headers["cache-control"] == "no-store"


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "localhost.evil"])
def test_a_name_that_is_not_ours_is_refused(stage: Stage, host: str) -> None:
    answer = stage.client.get("/", headers={"host": host})

    assert answer.status_code in {400, 403}
    assert "not known here" in answer.text


@pytest.mark.parametrize("host", ["localhost:8000", "192.0.2.4", "[2001:db8::1]:8000", "[::1]"])
def test_an_address_in_digits_and_localhost_are_ours(stage: Stage, host: str) -> None:
    assert stage.client.get("/livez", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:8001"},
        {"origin": "http://["},
        {"referer": "http://evil.example/http://127.0.0.1/"},
    ],
)
@pytest.mark.parametrize("path", ["/stop", "/release", "/props/owl/fire", "/theme"])
def test_a_form_from_elsewhere_is_refused(stage: Stage, path: str, headers: dict[str, str]) -> None:
    assert stage.client.post(path, headers=headers).status_code == 403
    assert stage.desk.orders == []


@pytest.mark.parametrize("path", ["/stop", "/release", "/hold", "/gentle", "/props/owl/hold"])
def test_a_form_from_our_own_page_is_obeyed(stage: Stage, path: str) -> None:
    assert stage.client.post(path, headers=OWN).status_code == 303
    assert len(stage.desk.orders) == 1


@pytest.mark.parametrize(
    ("came_by", "origin", "status"),
    [
        ("https", "https", 303),
        ("https", "http", 403),  # made by whoever is between, for they can make no other
        ("http", "https", 303),  # TLS ends at somebody else's front
    ],
)
def test_a_page_over_plain_http_changes_nothing_where_there_is_https(
    stage: Stage, came_by: str, origin: str, status: int
) -> None:
    answer = stage.client.post(
        f"{came_by}://127.0.0.1/theme",
        data={"theme": "red"},
        headers={"origin": f"{origin}://127.0.0.1"},
    )

    assert answer.status_code == status
    if status == 303:
        assert ("Secure" in answer.headers["set-cookie"]) == (came_by == "https")


@pytest.mark.parametrize("length", ["-1", "1e3", "9" * 30, "\u00b2", " ", "+5"])
def test_a_length_that_is_none_is_refused(stage: Stage, length: str) -> None:
    heads = [("origin", OWN["origin"]), ("content-length", length)]
    raw = [(name.encode(), value.encode("latin-1")) for name, value in heads]

    assert stage.client.post("/theme", headers=raw).status_code == 413


def test_a_program_needs_no_origin_but_a_foreign_page_cannot_use_the_api(stage: Stage) -> None:
    foreign = {"origin": "http://evil.example"}

    stage.show_token()
    assert stage.client.post("/api/v1/stop", headers=foreign).status_code == 403
    assert stage.desk.orders == []
    assert stage.client.post("/api/v1/stop").status_code == 200


@pytest.mark.parametrize("referer", ["http://evil.example/", "http://127.0.0.1//evil.example"])
def test_nobody_is_sent_away_after_a_post(stage: Stage, referer: str) -> None:
    answer = stage.client.post("/stop", headers=OWN | {"referer": referer})

    assert answer.headers["location"] == "/"
