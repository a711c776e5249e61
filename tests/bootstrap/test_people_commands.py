"""Goal: whoever keeps the machine can always let somebody in, and take everything back.

Method: the command line itself, in-process, over a data folder of its own; the settings it reads.
"""

import json
import os
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from haunt.bootstrap.people import base_url, set_up_link
from haunt.bootstrap.server import run_server
from haunt.cli import app
from haunt.config import SettingRefused, read_config
from haunt.site.doors import Doors
from haunt.site.rights import CREW
from haunt.store.engines import open_engines
from haunt.store.people import PeopleStore
from haunt.store.roster import Newcomer, Opening, hash_of
from haunt.store.schema import upgrade
from tests.site.stage import StandInClock

LINK = re.compile(r"^http://127\.0\.0\.1:8080/(set-up|link)\?code=([\w-]{22})$")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def run(data: Path, *words: str) -> str:
    told = CliRunner().invoke(app, [*words, "--data", str(data)])
    assert told.exit_code == 0, told.output
    return told.stdout


def refused(data: Path, *words: str) -> str:
    told = CliRunner().invoke(app, [*words, "--data", str(data)])
    assert told.exit_code == 1
    return told.stderr


def told(data: Path, *words: str) -> Any:
    return json.loads(run(data, *words, "--json"))


def store_of(data: Path) -> PeopleStore:
    writing, reading = open_engines(data)
    upgrade(writing)
    return PeopleStore(writing, reading)


def doors_of(store: PeopleStore) -> Doors:
    found = Doors(store, StandInClock())
    found.look(again=True)
    return found


def test_a_token_is_made_listed_by_its_beginning_and_revoked(data: Path) -> None:
    made = told(data, "tokens", "add", "--role", "crew")
    assert list(made) == ["token"]
    caller = doors_of(store_of(data)).by_bearer(made["token"])
    assert caller is not None
    assert caller.role is CREW
    [listed] = told(data, "tokens", "list")
    assert (listed["prefix"], listed["role"]) == (made["token"][:12], "crew")
    assert made["token"] not in run(data, "tokens", "list")

    run(data, "tokens", "revoke", listed["prefix"])

    assert told(data, "tokens", "list") == []
    assert doors_of(store_of(data)).by_bearer(made["token"]) is None
    assert "names 0 tokens" in refused(data, "tokens", "revoke", listed["prefix"])


def test_people_are_added_with_a_link_get_roles_and_go(data: Path) -> None:
    url = told(data, "people", "add", "Mara", "--role", "owner")["url"]
    assert LINK.match(url)
    run(data, "people", "add", "Jory", "--role", "watch")
    assert "called JORY already" in refused(data, "people", "add", "JORY", "--role", "crew")
    run(data, "people", "role", "jory", "crew")
    found = {each["name"]: each["role"] for each in told(data, "people", "list")}
    assert found == {"Mara": "owner", "Jory": "crew"}

    assert "last owner" in refused(data, "people", "remove", "Mara")
    run(data, "people", "remove", "Jory")
    assert [each["name"] for each in told(data, "people", "list")] == ["Mara"]
    assert "nobody called Jory" in refused(data, "people", "link", "Jory")


@pytest.mark.parametrize("words", [("people", "add", "Vex"), ("tokens", "add")])
def test_a_role_that_is_none_is_refused_with_those_there_are(
    data: Path, words: tuple[str, ...]
) -> None:
    assert "watch, crew, owner" in refused(data, *words, "--role", "god")
    assert told(data, "people", "list") == []


def test_a_reset_prints_a_link_that_makes_an_owner_and_ends_the_one_before(data: Path) -> None:
    first, second = (told(data, "people", "reset")["url"] for _ in range(2))
    store = store_of(data)
    codes = []
    for url in (first, second):
        match = LINK.match(url)
        assert match is not None
        assert match[1] == "set-up"
        codes.append(match[2])

    [link] = store.roster().links
    assert link.hash == hash_of(codes[1])
    opening = Opening(hash_of("s"), link.since_ms, "", "")
    assert store.use_link(link.hash, Newcomer("Mara", "hash"), opening).role == "owner"


def test_a_link_is_shown_as_a_picture_that_a_phone_can_scan(data: Path) -> None:
    lines = run(data, "people", "reset").splitlines()

    assert any(LINK.match(line.strip()) for line in lines)
    picture = [line for line in lines if set(line) <= set("█▀▄ ") and line]
    assert len(picture) > 15
    assert len({len(line) for line in picture}) == 1


def test_a_server_prints_its_first_link_only_while_nobody_owns_the_show(data: Path) -> None:
    store = store_of(data)
    assert set_up_link(store, "http://127.0.0.1:1") is not None
    store.add_person("Mara", "owner", "", 1)

    assert set_up_link(store, "http://127.0.0.1:1") is None


def test_what_is_done_here_is_in_the_log_without_any_secret(data: Path) -> None:
    url = told(data, "people", "add", "Mara", "--role", "owner")["url"]
    token = told(data, "tokens", "add", "--role", "watch", "--name", "graphs")["token"]
    items = store_of(data).logbook(limit=10).items

    assert [(each["who"], each["what"], each["about"]) for each in items] == [
        ("command line", "person added", "Mara: owner"),
        ("command line", "token made", "graphs, watch"),
    ]
    assert token not in str(items)
    assert url.partition("code=")[2] not in str(items)


# --- settings


def test_the_network_needs_no_flag_any_more_and_names_are_read(tmp_path: Path) -> None:
    flags = {"listen": "0.0.0.0:8080", "name": "haunt.local, Garden.lan."}
    found = read_config(tmp_path, flags, {})

    assert found.listen_host == "0.0.0.0"
    assert found.names == ("haunt.local", "garden.lan")
    assert read_config(tmp_path, {}, {"HAUNT_NAME": "yard"}).names == ("yard",)


@pytest.mark.parametrize("name", ["http://haunt.local", "a b", "haunt.local:8080", "*", "-x"])
def test_a_name_that_is_no_host_name_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(SettingRefused, match="host names"):
        read_config(tmp_path, {"name": name}, {})


@pytest.mark.parametrize(
    ("host", "url"),
    [
        ("192.0.2.4", "http://192.0.2.4:8080"),
        ("2001:db8::4", "http://[2001:db8::4]:8080"),
        ("garden.lan", "http://garden.lan:8080"),
        ("::1", "http://[::1]:8080"),
    ],
)
def test_a_link_leads_to_the_address_that_is_listened_on(host: str, url: str) -> None:
    assert base_url(host, 8080) == url


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_listening_everywhere_the_link_leads_to_an_address_and_not_to_everywhere(
    host: str,
) -> None:
    assert re.fullmatch(r"http://(\[[0-9a-f:]+\]|[0-9.]+):8080", base_url(host, 8080))
    assert base_url(host, 8080) not in {"http://0.0.0.0:8080", "http://[::]:8080"}


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.4", "::"])
def test_without_signing_in_nobody_is_let_in_beyond_loopback(data: Path, host: str) -> None:
    config = replace(read_config(data, {}, {}), listen_host=host)
    said: list[str] = []

    assert run_server(config, said.append, guest=CREW) == 1
    assert "only on loopback" in said[0]


def test_the_flag_that_let_everybody_in_is_gone(data: Path) -> None:
    ran = CliRunner().invoke(app, ["serve", "--data", os.fspath(data), "--insecure-lan"])

    assert ran.exit_code == 2
    assert "insecure-lan" in ran.stderr
