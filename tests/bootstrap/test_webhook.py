"""Goal: alerts get out when they can, the night never waits for it, and nothing private goes along.

Method: a sender with scripted answers and a wait that only notes; once a real address on loopback.
"""

import json
import socket
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from haunt.bootstrap.webhook import (
    FIRST_WAIT_S,
    LONGEST_WAIT_S,
    TRIES_MAX,
    Answer,
    Webhook,
    body_of,
    post_to,
)
from haunt.config import SettingRefused, read_config
from haunt.live.alerts.watch import AlertSeen
from haunt.live.ports import ActionRow, AlertRow
from tests.live.gardenstage import Garden

AT_MS = 1_793_471_400_000
DOWN = Answer("out.example cannot be reached: TimeoutError")


def row(number: int = 7, state: str = "raised", **more: Any) -> AlertRow:
    plain: dict[str, Any] = {
        "todo": "Check the supply.", "severity": "now", "since_ms": AT_MS, "count": 2,
        "seen_by": "Mara", "seen_ms": AT_MS,
    }  # fmt: skip
    return AlertRow("lost b-owl", state, "Tin owl: lost", number, **(plain | more))


class Outside:
    """Answers as told, then takes all; notes what came and for how long somebody waited."""

    def __init__(self, *answers: Answer, ends_after: int | None = None) -> None:
        self.answers, self.bodies, self.waits = list(answers), list[dict[str, Any]](), list[float]()
        self._ends_after = ends_after

    def post(self, body: bytes) -> Answer:
        self.bodies.append(json.loads(body))
        return self.answers.pop(0) if self.answers else Answer()

    def wait(self, seconds: float) -> bool:
        self.waits.append(seconds)
        return self._ends_after is not None and len(self.waits) >= self._ends_after


def hook(outside: Outside, draw: float = 0.5, **more: Any) -> Webhook:
    return Webhook("garden", outside.post, wait=outside.wait, draw=lambda: draw, **more)


def test_an_alert_goes_out_with_what_it_is_and_what_to_do() -> None:
    outside = Outside()
    out = hook(outside)
    out.told(row(), AT_MS)
    out.send_waiting()

    assert outside.bodies == [
        {
            "show": "garden", "at": "2026-10-31T18:30:00Z", "alert": 7, "state": "raised",
            "kind": "lost", "subject": "b-owl", "severity": "now", "text": "Tin owl: lost",
            "todo": "Check the supply.", "since": "2026-10-31T18:30:00Z", "count": 2,
        }
    ]  # fmt: skip
    assert out.counts() == (1, 0, 0, "")


def test_no_name_of_a_person_goes_out() -> None:
    assert b"Mara" not in body_of("garden", row(), "raised", AT_MS)


def test_only_what_comes_and_goes_is_told_and_not_who_saw_it_or_how_often() -> None:
    outside = Outside()
    out = hook(outside)
    for state in ("raised", "seen", "raised", "seen", "cleared", "raised"):
        out.told(row(state=state), AT_MS)
    out.send_waiting()

    assert [each["state"] for each in outside.bodies] == ["raised", "cleared", "raised"]


def test_a_refused_try_is_made_again_after_a_pause_that_doubles() -> None:
    outside = Outside(DOWN, DOWN, DOWN)
    out = hook(outside)
    out.told(row(), AT_MS)
    out.send_waiting()

    assert outside.waits == [FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S]
    assert out.counts() == (1, 0, 0, "")


@pytest.mark.parametrize(("draw", "share"), [(0.0, 0.5), (0.5, 1.0), (1.0, 1.5)])
def test_the_pause_is_drawn_so_that_two_never_knock_together(draw: float, share: float) -> None:
    outside = Outside(*[DOWN] * (TRIES_MAX - 1))
    out = hook(outside, draw)
    out.told(row(), AT_MS)
    out.send_waiting()

    assert outside.waits[0] == pytest.approx(FIRST_WAIT_S * share)
    assert max(outside.waits) <= LONGEST_WAIT_S * share


def test_what_never_gets_through_is_given_up_and_counted_with_its_fault() -> None:
    outside = Outside(*[DOWN] * TRIES_MAX)
    out = hook(outside)
    out.told(row(), AT_MS)
    out.send_waiting()

    assert len(outside.bodies) == TRIES_MAX
    assert out.counts() == (0, 1, 0, DOWN.fault)


def test_an_address_that_refuses_for_good_is_not_asked_again() -> None:
    outside = Outside(Answer("out.example answered 404", is_final=True))
    out = hook(outside)
    out.told(row(), AT_MS)
    out.send_waiting()

    assert outside.waits == []
    assert out.counts().dropped == 1


def test_the_queue_is_bounded_and_what_is_newer_stays() -> None:
    outside = Outside()
    out = hook(outside, queue_max=3)
    for number in range(5):
        out.told(row(number), AT_MS)
    assert out.counts() == (0, 2, 3, "")
    out.send_waiting()

    assert [each["alert"] for each in outside.bodies] == [2, 3, 4]


def test_at_the_end_nobody_waits_for_an_address_that_is_down() -> None:
    outside = Outside(*[DOWN] * TRIES_MAX, ends_after=1)
    out = hook(outside)
    out.told(row(), AT_MS)
    out.send_waiting()

    assert len(outside.bodies) == 1


def test_what_it_remembers_of_alerts_is_bounded() -> None:
    out = hook(Outside(), queue_max=1)
    for number in range(2000):
        out.told(row(number), AT_MS)

    assert len(out._states) <= 400


def test_the_running_night_hands_over_each_alert_and_goes_on() -> None:
    outside = Outside(*[DOWN] * TRIES_MAX)
    out, garden = hook(outside), Garden()
    garden.night._alerts_out = out
    garden.open()
    garden.boards["b2"].will()
    garden.run(30_000)
    garden.boards["b1"].sense("s1")

    assert out.counts().waiting == 1, "nothing was sent in the night's own thread"
    assert garden.fired("p1") == 1
    out.send_waiting()
    assert outside.bodies[0]["kind"] == "lost"


def test_who_saw_an_alert_does_not_go_out_of_the_house() -> None:
    outside = Outside()
    out, garden = hook(outside), Garden()
    garden.night._alerts_out = out
    garden.open()
    garden.boards["b2"].will()
    garden.run(30_000)
    [alert] = garden.night.alerts.open()
    seen = AlertSeen(garden.now, garden.schedule.wall_ms(), alert.id, "Mara")
    garden.night.order(seen, ActionRow("Mara", "alert seen", str(alert.id)))
    out.send_waiting()

    assert len(outside.bodies) == 1


# --- over a real socket


class Address(HTTPServer):
    status = 204
    paths: list[str]
    bodies: list[Any]


class Handler(BaseHTTPRequestHandler):
    server: Address

    def do_POST(self) -> None:
        self.server.paths.append(self.path)
        length = int(self.headers["content-length"])
        self.server.bodies.append(json.loads(self.rfile.read(length)))
        self.send_response(self.server.status)
        self.send_header("location", "http://192.0.2.1/elsewhere")
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *_words: object) -> None:
        pass


@pytest.fixture
def address() -> Iterator[Address]:
    found = Address(("127.0.0.1", 0), Handler)
    found.paths, found.bodies = [], []
    thread = threading.Thread(target=found.serve_forever, daemon=True)
    thread.start()
    yield found
    found.shutdown()
    found.server_close()
    thread.join(5)


def test_it_is_posted_as_json_to_the_whole_address(address: Address) -> None:
    post = post_to(f"http://127.0.0.1:{address.server_port}/hook/7?key=v")

    assert post(b'{"alert":1}') == Answer()
    assert address.paths == ["/hook/7?key=v"]
    assert address.bodies == [{"alert": 1}]


@pytest.mark.parametrize(
    ("status", "is_final"), [(302, True), (404, True), (429, False), (503, False)]
)
def test_an_answer_that_passes_by_itself_is_told_from_one_that_does_not(
    address: Address, status: int, is_final: bool
) -> None:
    address.status = status
    answer = post_to(f"http://127.0.0.1:{address.server_port}/secret-path")(b"{}")

    assert answer == Answer(f"127.0.0.1 answered {status}", is_final)
    assert len(address.paths) == 1, "a redirect is not followed"
    assert "secret-path" not in answer.fault


def test_nobody_there_is_a_fault_in_words() -> None:
    with socket.socket() as unheard:  # bound, so that nobody else takes it; it does not listen
        unheard.bind(("127.0.0.1", 0))
        answer = post_to(f"http://127.0.0.1:{unheard.getsockname()[1]}/")(b"{}")

    assert answer == Answer("127.0.0.1 cannot be reached: ConnectionRefusedError")


def test_its_thread_sends_and_ends(address: Address) -> None:
    post, was_sent = post_to(f"http://127.0.0.1:{address.server_port}/"), threading.Event()

    def told(body: bytes) -> Answer:
        answer = post(body)
        was_sent.set()
        return answer

    out = Webhook("garden", told)
    out.start()
    out.told(row(), AT_MS)
    assert was_sent.wait(10)
    out.stop(10)

    assert out.counts().sent == 1
    assert "webhook" not in {each.name for each in threading.enumerate()}


# --- the setting


def test_the_address_comes_from_the_file_the_environment_or_a_flag(tmp_path: Path) -> None:
    (tmp_path / "haunt.toml").write_text('webhook = "https://out.example/a"\n')

    assert read_config(tmp_path, {}, {}).webhook == "https://out.example/a"
    env = {"HAUNT_WEBHOOK": "http://out.example:8080/b"}
    assert read_config(tmp_path, {}, env).webhook == "http://out.example:8080/b"
    assert read_config(tmp_path, {"webhook": ""}, env).webhook == ""


@pytest.mark.parametrize(
    "url",
    ["out.example", "ftp://out.example/", "http://", "https://mara:pw@out.example/", "http://["],
)
def test_an_address_that_cannot_be_meant_is_refused_without_saying_it_again(
    tmp_path: Path, url: str
) -> None:
    with pytest.raises(SettingRefused, match="allowed is") as refused:
        read_config(tmp_path, {"webhook": url}, {})

    assert "pw" not in str(refused.value)
