"""Goal: a house with certificates is served over https, and its owner keeps it from the pages.

Method: the real server with its Mosquitto as processes, firmware as boards; an HTTP client that
trusts the authority, one that does not, and bare sockets that speak anything but TLS.
"""

import json
import re
import socket
import sys
import time
from base64 import b64decode
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import httpx2
import pytest

from tests.mqtt.raw import RawClient, connect
from tests.system.house import Board, House, free_port, until
from tests.system.secured import (
    PATIENCE_S,
    Evening,
    evening_over_https,
    knocking,
    spoken,
    state_of,
)

pytestmark = pytest.mark.system
SOON_S: Final = 3.0


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Evening]:
    with evening_over_https(tmp_path_factory.mktemp("secured")) as found:
        yield found


def downloaded(page: str) -> dict[str, Any]:
    link = re.search(r'download="well\.json" href="data:application/json;base64,([^"]+)"', page)
    assert link is not None, page
    found: dict[str, Any] = json.loads(b64decode(link[1]))
    return found


def board_of(house: House, credential: dict[str, Any]) -> Board:
    config = {
        **credential,
        "pins": "script",
        "control_port": free_port(),
        "pin_log": str(house.folder / "well.pins"),
        "spread_ms": 0,
        "sensors": {"well-mat": {"pin": 4}},
        "props": {},
    }
    return Board(config, house.folder, Path(sys.executable)).start()


def is_let_in(credential: dict[str, Any]) -> int | None:
    """Return the broker's answer to a board that signs in with it: 0 comes in, 5 may not."""
    name, password = (credential[each].encode() for each in ("username", "password"))
    with RawClient(credential["port"]) as board:
        return board.sign_in(connect(name, password))


def is_cut_off(board: RawClient) -> bool:
    try:
        board.heard()
    except ConnectionError:
        return True
    return False


def signed_in(credential: dict[str, Any]) -> RawClient:
    board = RawClient(credential["port"])
    name, password = (credential[each].encode() for each in ("username", "password"))
    assert board.sign_in(connect(name, password)) == 0
    return board


def broker_pid(house: House) -> str:
    return (house.server.data / "broker" / "pid").read_text()


def test_who_trusts_the_authority_gets_in_and_who_does_not_is_warned(evening: Evening) -> None:
    with evening.server.phone() as phone:
        assert phone.get("/livez").status_code == 200
    with (
        httpx2.Client(trust_env=False) as stranger,
        pytest.raises(httpx2.ConnectError, match="CERTIFICATE_VERIFY_FAILED"),
    ):
        stranger.get(f"{evening.server.url}/livez")


def test_the_first_link_is_https_and_its_cookie_goes_nowhere_else(evening: Evening) -> None:
    _house, server, mara = evening
    cookie = mara.came_in.headers["set-cookie"]

    # By the name that the certificate vouches for, though it listens on a bare address.
    assert mara.address == server.url
    assert "plain http" not in server.said()
    assert mara.came_in.status_code == 303
    assert cookie.startswith(f"__Host-haunt-{server.port}=")
    assert {"Secure", "HttpOnly", "Path=/", "SameSite=lax"} <= set(cookie.split("; "))
    link = mara.press("/people/links", "/people", role="crew", hours="1")
    assert f"{server.url}/join?code=" in link.text


def test_plain_http_is_led_to_https_at_once(evening: Evening) -> None:
    answer, took_s = spoken(
        evening.server,
        b"GET /props/keeper HTTP/1.1\r\nHost: localhost:%d\r\n\r\n" % evening.server.port,
    )

    assert answer.startswith(b"HTTP/1.1 307 ")
    assert f"location: {evening.server.url}/props/keeper\r\n".encode() in answer
    assert took_s < SOON_S


@pytest.mark.parametrize(
    "sent",
    [
        b"POST /api/v1/stop HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n",
        b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x0a\x00\x00",
        b"x",
    ],
)
def test_what_speaks_no_tls_is_told_so_and_stops_nothing(evening: Evening, sent: bytes) -> None:
    answer, took_s = spoken(evening.server, sent)

    assert answer.startswith(b"HTTP/1.1 400 ")
    assert answer.endswith(b"This port speaks https only.\n")
    assert took_s < SOON_S


def test_those_who_say_nothing_hold_up_nobody(evening: Evening) -> None:
    silent = [socket.create_connection(("127.0.0.1", evening.server.port)) for _ in range(40)]
    try:
        with evening.server.phone() as phone:
            began = time.monotonic()
            assert phone.get("/livez").status_code == 200
            assert time.monotonic() - began < SOON_S
    finally:
        for each in silent:
            each.close()


def test_a_name_of_the_certificate_is_known_and_a_plain_page_may_change_nothing(
    evening: Evening,
) -> None:
    with evening.server.phone() as phone:
        known = phone.get("/sign-in", headers={"host": f"haunt.local:{evening.server.port}"})
        other = phone.get("/sign-in", headers={"host": f"else.local:{evening.server.port}"})
        lowered = phone.post(
            "/theme", headers={"origin": evening.server.url.replace("https", "http")}
        )

    assert (known.status_code, other.status_code, lowered.status_code) == (200, 400, 403)
    assert "Changes must come from our own pages" in lowered.text


def test_phones_fetch_the_authority_before_they_are_in(evening: Evening) -> None:
    with evening.server.phone() as phone:
        answer = phone.get("/ca.pem")

    assert answer.headers["content-type"] == "application/x-x509-ca-cert"
    assert answer.content == (evening.server.data / "certs" / "ca.pem").read_bytes()


def test_a_board_comes_in_by_its_page_is_given_a_new_password_and_is_cut_off(
    evening: Evening,
) -> None:
    house, server, mara = evening
    first = downloaded(mara.press("/boards/well/credential", "/boards/well").text)
    with signed_in(first) as board:
        second = downloaded(mara.press("/boards/well/credential/rotate", "/boards/well").text)
        until(lambda: is_cut_off(board), "the old password to be cut off")
    assert (is_let_in(first), is_let_in(second)) == (5, 0)

    firmware = board_of(house, second)
    try:
        until(lambda: server.prop("well")["here"], "the firmware to come in by the file")
        assert "<strong>Here</strong>" in mara.client.get("/boards/well").text
    finally:
        firmware.kill()
    with signed_in(second) as board:
        mara.press("/boards/well/credential/revoke", "/boards/well")
        until(lambda: is_cut_off(board), "the board to be cut off")
    assert is_let_in(second) == 5

    assert server.ask("POST", "/api/v1/boards/well/credential")[0] == 201
    deeds = server.get("/api/v1/logbook")["items"]
    assert [(e["who"], e["what"], e["about"]) for e in deeds if "credential" in e["what"]][:3] == [
        ("Mara", "credential made", "well"),
        ("Mara", "credential made anew", "well"),
        ("Mara", "credential taken away", "well"),
    ]


def test_from_the_page_the_show_goes_back_to_a_backup_with_a_way_back(evening: Evening) -> None:
    house, server, mara = evening
    gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 200}})
    gate.visitor("gate-mat")
    until(lambda: server.decisions(outcome="fired"), "the first firing")

    made = mara.press("/keep/backups", "/keep")
    name = re.search(r'href="/keep/([0-9TZ]+-hand)"', made.text)
    assert name is not None, made.text
    before, pid = state_of(server, mara), broker_pid(house)
    assert server.ask("PATCH", "/api/v1/props/keeper", {"cooldown_s": 1})[0] == 200
    mara.press("/people/tokens", "/people", name="graphs", role="watch")
    gate.visitor("gate-mat")
    until(lambda: len(server.decisions()) > before["decisions"], "a second decision")
    after = state_of(server, mara)

    page = mara.client.get(f"/keep/{name[1]}")
    assert "fewer" in page.text
    with knocking(server) as refused:
        answer = mara.press(f"/keep/{name[1]}/restore", f"/keep/{name[1]}")
        assert "Starting again" in answer.text, answer.text
        until(lambda: mara.sees_restored(name[1]), "the restore", PATIENCE_S)
    assert refused == []

    assert state_of(server, mara) == before
    assert broker_pid(house) == pid, "boards never lose their broker"
    assert server.prop("keeper")["stopped"]
    deeds = server.get("/api/v1/logbook")["items"]
    assert [(e["who"], e["about"]) for e in deeds if e["what"] == "restore"] == [("Mara", name[1])]
    # The way back is there, with all that was given up.
    listed = mara.client.get("/keep").text
    copy = re.search(r"before a restore.*?(\d+) motions, (\d+) decisions", listed, re.DOTALL)
    assert copy is not None
    assert [int(each) for each in copy.groups()] == [after["motions"], after["decisions"]]
