"""Goal: two codes bring a phone into the network and to the pages; passwords are not kept unasked.

Method: the page's codes and the PDF's are decoded by zxing; a store that stands in notes what is
kept. The escaping is read back by the rule of the scheme, not by the library that wrote it.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from haunt.live.errors import CrewMistake
from haunt.site.paper.ink import PAPERS
from haunt.site.paper.joincard import card_pdf, checked, steps_of, wifi_code
from haunt.site.paper.ports import Wifi
from tests.outside.registry import outside
from tests.site.paper import seen
from tests.site.stage import OWN, Stage, a_stage

NOON = datetime(2026, 10, 31, 12, tzinfo=UTC)
NAMED = "http://haunt.local:8080"
GARDEN = Wifi("Lantern garden", "seven lamps")


@dataclass(slots=True)
class StandInPress:
    """Satisfies `paper.ports.Press`."""

    kept: Wifi | None = None
    writes: int = 0

    def address(self) -> str:
        return NAMED

    def wifi(self) -> Wifi | None:
        return self.kept

    def keep_wifi(self, wifi: Wifi | None) -> None:
        self.kept, self.writes = wifi, self.writes + 1


@contextmanager
def a_desk(press: StandInPress | None = None, role: str = "owner") -> Iterator[Stage]:
    found = press or StandInPress()
    with a_stage(role=role, dressed=lambda plain: replace(plain, press=found)) as stage:
        yield stage


def fields_of(code: str) -> dict[str, str]:
    """Read a `WIFI:` text: fields end at a bare semicolon, a backslash frees the next letter."""
    assert code.startswith("WIFI:")
    assert code.endswith(";;")
    parts = re.findall(r"([TSPH]):((?:\\.|[^\\;])*);", code.removeprefix("WIFI:"))
    return {key: re.sub(r"\\(.)", r"\1", value) for key, value in parts}


def test_a_network_is_written_as_phones_read_it() -> None:
    assert wifi_code(GARDEN) == "WIFI:T:WPA;S:Lantern garden;P:seven lamps;;"
    assert fields_of(wifi_code(Wifi("Open garden", ""))) == {"T": "nopass", "S": "Open garden"}


letters = st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=8)


@settings(max_examples=100, deadline=None)
@given(letters, st.text('ab;:,\\"ü ', min_size=8, max_size=20))
def test_reserved_letters_come_through(name: str, password: str) -> None:
    found = fields_of(wifi_code(Wifi(name, password)))
    assert (found["T"], found["S"], found["P"]) == ("WPA", name, password)


@pytest.mark.parametrize("paper", list(PAPERS))
def test_both_codes_are_read_from_the_rendered_card(paper: str) -> None:
    wifi = Wifi("Gärten; alle", 'la:ter"ne\\12')
    url = f"{NAMED}/join?code=abcdefghijklmnopqrstuv"
    steps = steps_of(wifi, url, "crew")
    (page,) = seen(card_pdf("The lantern garden", steps, PAPERS[paper], NOON))
    assert page.words == sorted([url, wifi_code(wifi)])
    outside("codes/card").agrees(cases=2)
    first, second = sorted(page.codes, key=lambda each: each[2])
    assert first[0].startswith("WIFI:"), "the network comes first"
    assert second[0] == url
    for words in ("The lantern garden", "1. Join the Wi-Fi", "Network: Gärten; alle", "2. Come in"):
        assert words in page.text
    assert "abcdefghij" not in page.text, "a code to come in is scanned, not read over a shoulder"


def test_without_a_network_the_card_has_one_code() -> None:
    (page,) = seen(card_pdf("Yard", steps_of(None, NAMED, ""), PAPERS["a4"], NOON))
    assert page.words == [NAMED]
    assert "1. Open the pages" in page.text


@pytest.mark.parametrize(
    ("name", "password", "said"),
    [
        ("", "secret12", "name is missing"),
        ("x" * 33, "", "at most 32 bytes"),
        ("ü" * 17, "", "at most 32 bytes"),
        ("yard", "short12", "8 to 63 characters"),
        ("yard", "x" * 64, "8 to 63 characters"),
    ],
)
def test_a_network_that_cannot_be_is_refused_in_words(name: str, password: str, said: str) -> None:
    with pytest.raises(CrewMistake, match=said):
        checked(name, password)


def test_the_card_makes_a_join_link_by_the_name_that_is_announced() -> None:
    with a_desk() as stage:
        fields = {
            "ssid": "yard",
            "password": "seven lamps",
            "role": "crew",
            "hours": "2",
            "uses": "5",
        }
        page = stage.client.post("/join-card", data=fields, headers=OWN).text
        (url,) = re.findall(r'name="url" value="([^"]+)"', page)
        assert url.startswith(f"{NAMED}/join?code=")
        (link,) = stage.entrance.doors.links()
        assert (link.kind, link.role, link.uses_left) == ("join", "crew", 5)
        assert page.count('class="qr"') == 2
        stage.entrance.logbook.write_now()
        log = stage.client.get("/logbook.json").text
        assert "join card made" in log
        assert "seven lamps" not in log

        printed = {"url": url, "who": "crew", "ssid": "yard", "password": "seven lamps"}
        pdf = stage.client.post("/join-card.pdf", data=printed, headers=OWN)
        assert pdf.headers["content-type"] == "application/pdf"
        (sheet,) = seen(pdf.content)
        assert sheet.words == sorted([url, "WIFI:T:WPA;S:yard;P:seven lamps;;"])
        assert len(stage.entrance.doors.links()) == 1, "printing makes no second link"


def test_a_network_is_forgotten_unless_it_is_to_be_kept() -> None:
    press = StandInPress()
    with a_desk(press) as stage:
        typed = {"ssid": "yard", "password": "seven lamps"}
        stage.client.post("/join-card", data=typed, headers=OWN)
        assert (press.kept, press.writes) == (None, 0)
        assert "seven lamps" not in stage.client.get("/join-card").text

        stage.client.post("/join-card", data={**typed, "keep": "yes"}, headers=OWN)
        assert press.kept == Wifi("yard", "seven lamps")
        assert 'value="seven lamps"' in stage.client.get("/join-card").text

        stage.client.post("/join-card", data=typed, headers=OWN)
        assert press.kept is None, "unticked it is forgotten"


def test_a_plain_address_makes_no_link_and_no_card_makes_an_owner_or_leads_elsewhere() -> None:
    with a_desk() as stage:
        page = stage.client.post("/join-card", data={"at": "here"}, headers=OWN).text
        assert 'name="url" value="http://127.0.0.1"' in page
        answer = stage.client.post("/join-card", data={"role": "owner"}, headers=OWN)
        assert answer.status_code == 422
        for url in ("http://elsewhere.example/", f"{NAMED}.example/join", "javascript:1"):
            answer = stage.client.post("/join-card.pdf", data={"url": url}, headers=OWN)
            assert answer.status_code == 422
        assert stage.entrance.doors.links() == []
        for role in ("watch", "crew"):
            stage.become(role)
            assert stage.client.get("/join-card").status_code == 403
            assert stage.client.post("/join-card", data={}, headers=OWN).status_code == 403
