"""Goal: a server that stands by says who runs the show, shows what was kept, and takes no order.

Method: the layer round an application that answers everything, asked as browsers and programs do.
"""

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from haunt.site.standby import StandIn, Waiting

OWNER = "http://192.0.2.7:8080"


def client_of(waiting: Waiting) -> TestClient:
    async def inside(_request: Request) -> PlainTextResponse:
        return PlainTextResponse("inside")

    methods = ["GET", "POST", "PUT", "PATCH", "DELETE"]
    app = Starlette(routes=[Route("/{path:path}", inside, methods=methods)])
    app.add_middleware(StandIn, waiting=lambda: waiting)
    return TestClient(app)


@pytest.fixture
def client() -> TestClient:
    return client_of(Waiting(OWNER, 400))


@pytest.mark.parametrize("path", ["/", "/props/owl", "/boards", "/plan", "/account"])
def test_a_live_page_says_who_runs_the_show_and_how_fresh_that_is(
    client: TestClient, path: str
) -> None:
    found = client.get(path)

    assert found.status_code == 503
    assert f"Standby; {OWNER} runs the show, heard 0.4 s ago" in found.text
    assert f'href="{OWNER}">Go to the show</a>' in found.text
    assert "<script" not in found.text
    assert "default-src 'none'" in found.headers["content-security-policy"]
    assert found.headers["retry-after"] == "3"


@pytest.mark.parametrize("path", ["/log", "/nights/2026-10-31", "/api/v1/decisions", "/static/x"])
def test_what_was_kept_is_shown(client: TestClient, path: str) -> None:
    assert client.get(path).text == "inside"


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/api/v1/stop"),
        ("PUT", "/api/v1/show"),
        ("POST", "/api/v1/props/owl/fire"),
        ("PATCH", "/api/v1/props/owl"),
        ("POST", "/log"),
        ("DELETE", "/api/v1/decisions"),
    ],
)
def test_no_order_is_taken_and_a_program_is_told_where_to_send_it(
    client: TestClient, method: str, path: str
) -> None:
    found = client.request(method, path)

    assert found.status_code == 503
    assert "inside" not in found.text
    assert OWNER in found.text


def test_people_may_sign_in_for_what_they_may_read(client: TestClient) -> None:
    assert client.post("/sign-in").text == "inside"


def test_it_is_alive_and_not_ready() -> None:
    client = client_of(Waiting(OWNER, 400))

    assert client.get("/livez").text == "inside"
    ready = client.get("/readyz")
    assert (ready.status_code, ready.json()["owner"], ready.json()["standby"]) == (503, OWNER, True)


@pytest.mark.parametrize(
    ("waiting", "said"),
    [
        (Waiting("", None), "Standby; nobody runs the show yet"),
        (Waiting(OWNER, 1, "no answer"), "it is not known who runs the show: no answer"),
    ],
)
def test_what_is_not_known_is_not_claimed(waiting: Waiting, said: str) -> None:
    found = client_of(waiting).get("/")

    assert said in found.text
    assert OWNER not in found.text


def test_an_address_that_is_none_becomes_no_link_and_no_markup() -> None:
    found = client_of(Waiting("javascript:alert('<b>')", 1)).get("/")

    assert 'href="javascript' not in found.text
    assert "<b>" not in found.text
