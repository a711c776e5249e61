"""Goal: pages come small, live news come at once, and no length of an answer betrays a token.

Method: the application asked as a browser asks, with what it can unpack; bytes counted on the way.
"""

import re
import zlib
from collections import Counter

import pytest

from haunt.site.asking import FIELD, masked, unmasked
from haunt.site.doors import form_token_of
from tests.site.stage import OWN, Stage, secret_of

UNPACKS = {"accept-encoding": "gzip, deflate, br"}
TOKEN = re.compile(r'name="form_token" value="([0-9a-f]+)"')


def raw_of(stage: Stage, path: str) -> tuple[str, int]:
    """Return what an answer is packed with, and its bytes on the way."""
    with stage.client.stream("GET", path, headers=UNPACKS) as answer:
        packed = answer.headers.get("content-encoding", "")
        return packed, sum(len(each) for each in answer.iter_raw())


def test_pages_and_what_they_are_made_of_come_packed(stage: Stage) -> None:
    for path in ("/", "/log", "/static/haunt.css", "/static/haunt.js", "/manual/rules"):
        packed, count = raw_of(stage, path)
        whole = len(stage.client.get(path, headers={"accept-encoding": "identity"}).content)
        assert packed == "gzip", path
        assert count < 0.55 * whole, path
    assert raw_of(stage, "/livez")[0] == "", "what is small would only grow"


def test_a_browser_that_unpacks_nothing_gets_the_same_page(stage: Stage) -> None:
    answer = stage.client.get("/help", headers={"accept-encoding": "identity"})
    assert "content-encoding" not in answer.headers
    assert "Accept-Encoding" in stage.client.get("/help", headers=UNPACKS).headers["vary"]


def test_csv_is_not_packed(stage: Stage) -> None:
    for path in ("/log.csv", "/api/v1/decisions"):
        with stage.client.stream("GET", path, headers={**UNPACKS, "accept": "text/csv"}) as answer:
            assert "content-encoding" not in answer.headers
            assert answer.headers["content-type"].startswith("text/csv")


def test_the_stream_of_live_news_is_never_packed(stage: Stage) -> None:
    stage.hub.close_soon()  # else it would go on for ever
    for path in ("/stream?page=tonight", "/api/v1/live"):
        with stage.client.stream("GET", path, headers=UNPACKS) as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            assert "content-encoding" not in answer.headers


def test_a_token_looks_different_in_every_answer_and_counts_in_each(stage: Stage) -> None:
    plain = form_token_of(secret_of("owner"))
    shown = [TOKEN.findall(stage.client.get("/account").text)[0] for _ in range(3)]

    assert len(set(shown)) == 3
    assert {unmasked(each.encode()) for each in shown} == {plain.encode()}
    stage.client.headers.pop("x-form-token")
    for each in shown:
        answer = stage.client.post("/hold", headers=OWN, data={FIELD: each})
        assert answer.status_code == 303
    spoilt = shown[0][:-1] + ("0" if shown[0][-1] != "0" else "1")
    assert stage.client.post("/hold", headers=OWN, data={FIELD: spoilt}).status_code == 403


def test_within_one_page_the_token_is_one_so_that_it_packs_away(stage: Stage) -> None:
    found = Counter(TOKEN.findall(stage.client.get("/").text))
    assert len(found) == 1
    assert found.total() > 5


@pytest.mark.parametrize("sent", [b"", b"zz", b"00" * 31, b"\xff" * 64, b"0" * 127])
def test_what_is_no_masked_token_is_looked_at_as_it_is(sent: bytes) -> None:
    assert unmasked(sent) == sent


def test_a_guess_of_the_token_makes_no_answer_shorter() -> None:
    """What the attack lives on: a right guess beside the secret would pack better."""
    token = form_token_of("a secret")

    def mean_length(guess: str) -> float:
        pages = (f"<p>{guess}</p>{masked(token)}".encode() for _ in range(400))
        return sum(len(zlib.compress(each, 9)) for each in pages) / 400

    def bare_length(guess: str) -> int:
        return len(zlib.compress(f"<p>{guess}</p>{token}".encode(), 9))

    other = form_token_of("another")
    assert bare_length(token) < bare_length(other) - 20, "without a mask it is plain to see"
    assert abs(mean_length(token) - mean_length(other)) < 0.6
