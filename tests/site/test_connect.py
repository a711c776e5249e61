"""Goal: who writes firmware finds the exchange, with the names of their own show, and can try it.

Method: the page and its file are asked for as a browser would; checks are compared with the code.
"""

import html
from collections.abc import Iterator

import pytest

from haunt.site.connect import BEGINNINGS
from haunt.study.conformance.script import CHECKS
from haunt.wire.exchange import Cast, exchange
from haunt.wire.packets import Splitter
from tests.firmware.modules import FIRMWARE
from tests.site.stage import Stage, a_stage


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    """One for all of them: nothing here changes anything."""
    with a_stage() as found:
        yield found


def test_the_page_shows_every_packet_with_its_payload_and_its_bytes(stage: Stage) -> None:
    found = html.unescape(stage.client.get("/connect").text)
    night = stage.client.get("/connect.json").json()

    assert len(night) == len(exchange(Cast("garden")))
    for step in night:
        assert step["packet"] in found
        assert step["payload"] in found
        assert bytes.fromhex(step["hex"])[:8].hex(" ") in found


def test_it_speaks_of_a_board_of_this_show(stage: Stage) -> None:
    for step in stage.client.get("/connect.json?board=b-owl").json():
        assert not step["topic"] or "/b-owl/" in step["topic"] or "/all/" in step["topic"]
    assert "haunt boards test b-owl" in stage.client.get("/connect?board=b-owl").text
    assert stage.client.get("/connect?board=soup").status_code == 404
    assert stage.client.get("/connect.json?board=soup").status_code == 404


def test_the_file_for_programs_has_whole_packets(stage: Stage) -> None:
    for step in stage.client.get("/connect.json").json():
        raw = bytes.fromhex(step["hex"])
        (packet,) = Splitter().feed(raw)
        assert packet.whole == raw
        assert packet.body.endswith(step["payload"].encode()) or step["packet"] == "CONNECT"


def test_it_names_every_check_of_the_trial(stage: Stage) -> None:
    found = html.unescape(stage.client.get("/connect").text)

    for check in CHECKS:
        assert check.name in found
        for part in check.expected.split("`"):
            assert part in found


def test_what_it_tells_to_begin_from_is_there() -> None:
    for folder in BEGINNINGS:
        assert (FIRMWARE.parent / folder).is_dir()


@pytest.mark.parametrize("page", ["/boards", "/help", "/manual/wire"])
def test_it_is_found_from_where_one_would_look(stage: Stage, page: str) -> None:
    assert 'href="/connect"' in stage.client.get(page).text


def test_the_manual_does_not_say_the_same_twice(stage: Stage) -> None:
    assert "What goes over the wire" in stage.client.get("/manual").text
    assert "Connect your own board" not in stage.client.get("/manual").text.partition("<main")[2]
