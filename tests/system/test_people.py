"""Goal: from the first start on, nobody is in who was not let in, and everybody let in can stop.

Method: the real server as a process, asked over HTTP; the command line beside it.
"""

import json
import re
import subprocess
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlencode

import pytest

from tests.system.house import SHOW, House, Server, typed, until

pytestmark = pytest.mark.system

WORDS = "seven lamps in a row"


class Told(NamedTuple):
    status: int
    cookie: str
    text: str


def asked(server: Server, path: str, form: dict[str, str] | None = None, **headers: str) -> Told:
    """Ask as a browser that follows nothing and keeps no cookie."""
    method, body = ("GET", None) if form is None else ("POST", urlencode(form))
    kind = {"content-type": "application/x-www-form-urlencoded"} if form is not None else {}
    with closing(HTTPConnection("127.0.0.1", server.port, timeout=5)) as link:
        link.request(method, path, body, {"origin": server.url, **kind, **headers})
        answer = link.getresponse()
        cookie = (answer.getheader("set-cookie") or "").split(";")[0]
        return Told(answer.status, cookie, answer.read().decode())


def log(house: House) -> str:
    return (house.folder / "server.log").read_text()


def set_up_code(house: House) -> str:
    [code] = until(lambda: re.findall(r"/set-up\?code=([\w-]+)\n", log(house)), "the link")
    assert "█" in log(house)
    return str(code)


def test_a_first_start_for_the_network_prints_the_link_and_says_that_it_is_plain_http(
    tmp_path: Path,
) -> None:
    house = House(tmp_path, SHOW)
    house.server.more = ("--listen", f"0.0.0.0:{house.server.port}")
    with house:
        assert set_up_code(house)
        assert "plain http" in log(house)
        assert asked(house.server, "/").status == 303
        assert asked(house.server, "/api/v1/props").status == 401


def test_the_first_start_prints_a_link_that_makes_one_owner_once(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        server, code = house.server, set_up_code(house)
        assert "plain http" not in log(house)
        assert asked(server, "/").status == 303
        assert asked(server, "/api/v1/props").status == 401
        assert asked(server, "/stop", {}).status == 401
        form = {"code": code, "name": "Mara", "password": WORDS}
        came_in = asked(server, "/set-up", form)
        assert came_in.status == 303
        assert asked(server, "/set-up", form).status == 410

        server.end()
        server.start()

        assert log(house).count("/set-up?code=") == 1, "there is an owner now"
        page = asked(server, "/", cookie=came_in.cookie).text
        assert "Mara, owner" in page, "a session outlives a restart"
        assert WORDS not in log(house)
        assert came_in.cookie.partition("=")[2] not in log(house)


def test_what_the_command_line_takes_back_is_gone_within_seconds(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        server = house.server
        spare = server.told("tokens", "add", "--role", "watch")["token"]
        url = server.told("people", "add", "Wren", "--role", "watch")["url"]
        path, _, code = url.removeprefix(server.url).partition("?code=")
        cookie = asked(server, path, {"code": code}).cookie
        bearer = f"Bearer {spare}"

        assert asked(server, "/api/v1/props", authorization=bearer).status == 200
        assert asked(server, "/boards", cookie=cookie).status == 200
        for words in (("tokens", "revoke", spare[:12]), ("people", "remove", "Wren")):
            done = typed(*words, "--data", str(server.data))
            assert done.exit_code == 0, done.output

        def is_refused(path: str, status: int, **shown: str) -> bool:
            return asked(server, path, **shown).status == status  # type: ignore[arg-type]

        until(lambda: is_refused("/api/v1/props", 401, authorization=bearer), "no token", 3)
        until(lambda: is_refused("/boards", 303, cookie=cookie), "the session to end", 3)
        kept = [json.dumps(each) for each in server.get("/api/v1/logbook")["items"]]
        assert any('"person removed"' in each for each in kept)


def test_many_wrong_passwords_at_once_leave_a_stop_as_quick_as_it_was(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house:
        server = house.server
        form = urlencode({"name": "Nobody", "password": "a guess"})
        words = ["curl", "-s", "-o", "/dev/null", "-w", "%{http_code} "]
        words += ["-H", f"origin: {server.url}"]
        attack = [
            subprocess.Popen(
                [*words, "-d", f"{form}{number}.{k}", f"{server.url}/sign-in"],
                stdout=subprocess.PIPE,
                text=True,
            )
            for number in range(4)
            for k in range(15)
        ]
        status, answer = server.ask("POST", "/api/v1/stop")

        assert (status, answer["stopped"]) == (200, True)
        told = "".join(each.communicate()[0] for each in attack).split()
        assert set(told) <= {"401", "429", "503"}
        assert told.count("401") <= 3, "one name has three tries"
