"""Goal: what an owner does on a page to the house itself is done: credentials, backups, going back.

Method: the real server with its Mosquitto and the firmware as boards; an HTTP client that behaves
like a browser. To restore the server starts itself anew, while a second client keeps knocking.
"""

import json
import re
import sys
import threading
from base64 import b64decode
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import httpx2
import pytest

from tests.mqtt.raw import RawClient, connect
from tests.system.house import SHOW, Board, House, free_port, until

pytestmark = pytest.mark.system
WORDS = "seven lamps in a row"


class Owner:
    """Mara at her browser; close it at the end."""

    def __init__(self, house: House) -> None:
        self._server = house.server
        url = house.server.url
        self.client = httpx2.Client(
            base_url=url, headers={"origin": url}, timeout=20, trust_env=False
        )
        code = house.server.told("people", "reset")["url"].partition("code=")[2]
        self.client.post("/set-up", data={"code": code, "name": "Mara", "password": WORDS})

    def close(self) -> None:
        self.client.close()

    def press(self, path: str, page: str, **form: str) -> httpx2.Response:
        found = re.search(r'name="form_token" value="([0-9a-f]+)"', self.client.get(page).text)
        assert found is not None, f"{page} has no form"
        return self.client.post(path, data={**form, "form_token": found[1]})

    def sees_restored(self, name: str) -> bool:
        """Sign in until the next turn is there: the one before lets in to its very end."""
        try:
            self.client.post("/sign-in", data={"name": "Mara", "password": WORDS})
            return f"restored is backup {name};" in self.client.get("/keep").text
        except httpx2.HTTPError:
            return False


@contextmanager
def knocking(house: House) -> Iterator[list[str]]:
    """Ask whether the server lives, over a new connection each time; collect what was refused."""
    refused: list[str] = []
    ending = threading.Event()

    def knock() -> None:
        while not ending.wait(0.02):
            try:
                httpx2.get(f"{house.server.url}/livez", timeout=15, trust_env=False)
            except httpx2.ConnectError as fault:
                refused.append(str(fault))
            except httpx2.HTTPError:
                pass  # cut off in the middle: the old turn ended under it

    thread = threading.Thread(target=knock)
    thread.start()
    try:
        yield refused
    finally:
        ending.set()
        thread.join()


def state_of(house: House, mara: Owner) -> dict[str, Any]:
    server = house.server
    return {
        "motions": len(server.get("/api/v1/motions?limit=1000")["items"]),
        "decisions": len(server.decisions()),
        "cooldown_s": server.prop("keeper")["cooldown_s"],
        "tokens": mara.client.get("/people").text.count('aria-label="End token'),
    }


def broker_pid(house: House) -> str:
    return (house.server.data / "broker" / "pid").read_text()


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


class Evening(NamedTuple):
    house: House
    mara: Owner


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Evening]:
    with House(tmp_path_factory.mktemp("owner"), SHOW) as house, closing(Owner(house)) as mara:
        yield Evening(house, mara)


def test_a_board_comes_in_by_its_page_is_given_a_new_password_and_is_cut_off(
    evening: Evening,
) -> None:
    house, mara = evening
    server = house.server
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


def test_from_the_page_the_show_goes_back_to_a_backup_and_forth_again(evening: Evening) -> None:
    house, mara = evening
    server = house.server
    gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 200}})
    gate.visitor("gate-mat")
    until(lambda: server.decisions(outcome="fired"), "the first firing")

    made = mara.press("/keep/backups", "/keep")
    name = re.search(r'href="/keep/([0-9TZ]+-hand)"', made.text)
    assert name is not None, made.text
    before, pid = state_of(house, mara), broker_pid(house)
    assert server.ask("PATCH", "/api/v1/props/keeper", {"cooldown_s": 1})[0] == 200
    mara.press("/people/tokens", "/people", name="graphs", role="watch")
    gate.visitor("gate-mat")
    until(lambda: len(server.decisions()) > before["decisions"], "a second decision")
    after = state_of(house, mara)

    page = mara.client.get(f"/keep/{name[1]}")
    assert "fewer" in page.text
    with knocking(house) as refused:
        answer = mara.press(f"/keep/{name[1]}/restore", f"/keep/{name[1]}")
        assert "Starting again" in answer.text, answer.text
        until(lambda: mara.sees_restored(name[1]), "the restore")
    assert refused == []

    assert state_of(house, mara) == before
    assert broker_pid(house) == pid, "boards never lose their broker"
    assert server.prop("keeper")["stopped"]
    deeds = server.get("/api/v1/logbook")["items"]
    assert [(e["who"], e["about"]) for e in deeds if e["what"] == "restore"] == [("Mara", name[1])]
    assert server.ask("POST", "/api/v1/stop/release")[0] == 200
    until(lambda: not server.prop("keeper")["stopped"], "the release")
    until(lambda: server.prop("keeper")["here"], "the board")

    copy = re.search(r'href="/keep/([0-9TZ]+-restore)"', mara.client.get("/keep").text)
    assert copy is not None
    mara.press(f"/keep/{copy[1]}/restore", f"/keep/{copy[1]}")
    until(lambda: mara.sees_restored(copy[1]), "to go forth again")
    assert state_of(house, mara) == after
