"""Goal: a board's page says what the board said, and an owner gives it a password that works once.

Method: the application over an invented evening, with a ring of keys that remembers.
"""

import json
import re
from base64 import b64decode
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import pytest

from haunt.live.views import BoardView, SensorView
from haunt.site.boards import Fact, facts_of
from haunt.site.houseports import Credential, HouseRefused
from haunt.site.presenter import Presenter
from haunt.store.boardrows import Became, Run
from tests.site.night import DUSK_MS, a_board, a_night, evening_props
from tests.site.stage import OWN, Stage, a_stage

OWL = "b-owl"


@dataclass(slots=True)
class StandInKeyring:
    """Satisfies `houseports.Keyring`."""

    foreign: str = ""
    note: str = ""
    known: dict[str, int] = field(default_factory=dict)

    def has(self, board: str) -> bool:
        return board in self.known

    def make(self, board: str) -> Credential:
        if board in self.known:
            raise HouseRefused(f"{board} has a credential already; rotate it instead")
        return self._given(board)

    def rotate(self, board: str) -> Credential:
        if board not in self.known:
            raise HouseRefused(f"{board!r} has no credential")
        return self._given(board)

    def _given(self, board: str) -> Credential:
        self.known[board] = self.known.get(board, 0) + 1
        text = json.dumps({"username": board, "password": f"word-{self.known[board]}"}) + "\n"
        return Credential(board, text, self.note)

    def revoke(self, board: str) -> None:
        if self.known.pop(board, None) is None:
            raise HouseRefused(f"{board!r} has no credential")


THE_RING = StandInKeyring()


@pytest.fixture(scope="module")
def house() -> Iterator[Stage]:
    with a_stage(dressed=lambda plain: replace(plain, keyring=THE_RING)) as found:
        yield found


@pytest.fixture
def ring() -> StandInKeyring:
    """The same for all tests, and empty for each."""
    THE_RING.note, THE_RING.known = "", {}
    return THE_RING


@pytest.fixture
def stage(house: Stage, ring: StandInKeyring) -> Stage:
    assert ring.known == {}
    house.desk.change(boards=a_night().boards, sensors={})
    house.become("owner")
    return house


def deeds(stage: Stage) -> list[tuple[str, str, str, str]]:
    stage.entrance.logbook.write_now()
    found = stage.entrance.book.logbook().items
    return [(each["who"], each["what"], each["about"], each["result"]) for each in found]


def told_by(board: BoardView) -> list[Fact]:
    return facts_of(board, Presenter(a_night()))


def test_a_board_that_said_nothing_is_not_given_words() -> None:
    silent = replace(
        a_board(evening_props()[1]),
        last_heard_ms=None,
        fw="",
        reset="",
        up_ms=None,
        charge_percent=None,
        rssi=None,
        epoch=None,
        stopped=None,
        counted=None,
    )

    assert told_by(silent) == [Fact("Last heard", "never")]


def test_what_a_board_said_is_there_with_its_units() -> None:
    board = replace(
        a_board(evening_props()[1]),
        battery_mv=7410,
        rssi=-83,
        up_ms=26 * 3_600_000 + 5 * 60_000,
        reset="brown-out",
        boots=2,
        connections=4,
    )

    found = {each.name: (each.value, each.look) for each in told_by(board)}

    assert found["Signal"] == ("-83 dBm", "weak")
    assert found["Volts"] == ("7.41 V", "")
    assert found["Up"] == ("1 d 2 h 5 min", "")
    assert found["Last start"] == ("brown out", "")
    assert found["Starts anew"] == ("2", "seen by this run")
    assert found["Connections"] == ("4", "since its last start")
    assert found["Last heard"] == ("18:29:56", "")


def test_props_and_sensors_stand_with_the_boards_own_counts(stage: Stage) -> None:
    board = replace(
        a_board(evening_props()[1]),
        starts=(("owl", 12),),
        motions=(("owl-eye", 40), ("stray", 3)),
    )
    eye = SensorView("owl-eye", "Eye of the owl", OWL, "pir", here=True, props=("owl", "gone"))
    other = SensorView("mat", "Mat", "b-loom", "mat", here=True)
    stage.desk.change(boards={OWL: board}, sensors={"owl-eye": eye, "mat": other})

    text = stage.client.get(f"/boards/{OWL}").text
    listed = re.findall(r'<li class="line">(.*?)</li>', text)
    rows = [" ".join(re.sub(r"<[^>]+>", " ", each).split()) for each in listed]

    assert rows == [
        "Tin owl old pear tree Ready, 12 starts",
        "Eye of the owl pir for Tin owl 40 motions",
        "stray not in the show file 3 motions",
    ]


def test_the_list_leads_to_each_board_and_there_is_no_other(stage: Stage) -> None:
    listed = stage.client.get("/boards").text

    for board in stage.desk.view().boards:
        assert f'href="/boards/{board}"' in listed
        assert stage.client.get(f"/boards/{board}").status_code == 200
    assert stage.client.get("/boards/nobody").status_code == 404


def test_only_an_owner_sees_that_there_is_a_password(stage: Stage) -> None:
    assert "Make its file" in stage.client.get(f"/boards/{OWL}").text
    for role in ("crew", "watch"):
        stage.become(role)
        assert "password" not in stage.client.get(f"/boards/{OWL}").text


def test_a_password_is_shown_once_as_the_file_that_is_downloaded(
    stage: Stage, ring: StandInKeyring
) -> None:
    ring.note = "No board on the Wi-Fi reaches it."
    made = stage.client.post(f"/boards/{OWL}/credential", headers=OWN)

    assert made.status_code == 200
    assert made.headers["cache-control"] == "no-store"
    assert "word-1" in made.text
    assert ring.note in made.text
    link = re.search(
        r'download="b-owl\.json" href="data:application/json;base64,([^"]+)"', made.text
    )
    assert link is not None
    assert b64decode(link[1]) == b'{"username": "b-owl", "password": "word-1"}\n'
    page = stage.client.get(f"/boards/{OWL}").text
    assert "word-1" not in page
    assert "Make it anew" in page
    assert ("Mara", "credential made", OWL, "done") in deeds(stage)


def test_a_new_password_takes_the_old_ones_place_and_one_can_be_taken_away(
    stage: Stage, ring: StandInKeyring
) -> None:
    stage.client.post(f"/boards/{OWL}/credential", headers=OWN)
    again = stage.client.post(f"/boards/{OWL}/credential/rotate", headers=OWN)
    assert "word-2" in again.text

    gone = stage.client.post(f"/boards/{OWL}/credential/revoke", headers=OWN)

    assert (gone.status_code, gone.headers["location"]) == (303, f"/boards/{OWL}")
    assert ring.known == {}
    assert [each[1:3] for each in deeds(stage)][-3:] == [
        ("credential made", OWL),
        ("credential made anew", OWL),
        ("credential taken away", OWL),
    ]


@pytest.mark.parametrize("what", ["", "/rotate", "/revoke"])
def test_what_cannot_be_done_is_said_on_the_boards_page(
    stage: Stage, ring: StandInKeyring, what: str
) -> None:
    if not what:
        ring.make(OWL)

    answer = stage.client.post(f"/boards/{OWL}/credential{what}", headers=OWN)

    assert answer.status_code == 422
    assert "Board b-owl" in answer.text
    assert re.search(r"credential already|has no credential", answer.text)
    assert deeds(stage)[-1][3].startswith("refused: ")


def test_a_broker_of_somebody_else_is_named_and_given_no_button() -> None:
    ring = StandInKeyring("The broker at mq.lan:1883 is not kept by haunt.")
    with a_stage(dressed=lambda plain: replace(plain, keyring=ring)) as stage:
        page = stage.client.get(f"/boards/{OWL}").text

    assert ring.foreign in page
    assert "/credential" not in page


def test_a_site_without_a_broker_says_so() -> None:
    with a_stage() as stage:
        assert "no broker of ours here" in stage.client.get(f"/boards/{OWL}").text
        stage.show_token()
        refused = stage.client.post(f"/api/v1/boards/{OWL}/credential")
    assert refused.status_code == 422
    assert "no broker of ours here" in refused.json()["detail"]


def test_a_program_makes_rotates_and_takes_away_a_password(
    stage: Stage, ring: StandInKeyring
) -> None:
    stage.show_token()
    path = f"/api/v1/boards/{OWL}/credential"

    made = stage.client.post(path)
    twice = stage.client.post(path)
    rotated = stage.client.post(path, json={"rotate": True})
    gone = stage.client.delete(path)

    assert (made.status_code, made.json()) == (201, {"username": OWL, "password": "word-1"})
    assert twice.status_code == 422
    assert rotated.json()["password"] == "word-2"
    assert (gone.status_code, ring.known) == (200, {})
    assert stage.client.post("/api/v1/boards/nobody/credential").status_code == 404
    assert stage.client.post(path, json={"turn": True}).status_code == 422
    for role in ("crew", "watch"):
        stage.show_token(role)
        assert stage.client.post(path).status_code == 403
    assert ring.known == {}


def test_what_did_not_arrive_and_what_fell_out_are_told_with_their_reason() -> None:
    board = replace(
        a_board(evening_props()[1]), counted=41, journalled=38, dropped=2, bad=0, settings=4
    )

    found = {each.name: (each.value, each.look) for each in told_by(board)}

    assert found["Motions not here"] == ("3", "unsent, or lost")
    assert found["Fell out unsent"] == ("2", "its ring of unsent words was full")
    assert found["Refused to read"] == ("0", "")
    assert found["Settings told"] == ("version 4", "")


def test_orders_that_a_board_has_not_seen_are_told() -> None:
    board = replace(a_board(evening_props()[1], stopped=True), epoch=a_night().epoch - 1)

    found = {each.name: (each.value, each.look) for each in told_by(board)}

    assert found["Epoch"] == (str(a_night().epoch - 1), f"the show is at {a_night().epoch}")
    assert found["Stop seen"] == ("still", "the show says other")


class StandInHistory:
    """Satisfies `boardports.BoardBook`; notes since when it was asked."""

    since: int | None = None

    def runs(self, board: str) -> list[Run]:
        assert board == OWL
        return [
            Run("b2", "brown-out", DUSK_MS - 60_000, DUSK_MS, 60_000, -80, 6900),
            Run("b1", "power-on", DUSK_MS - 7_200_000, DUSK_MS - 61_000, 7_100_000, None, None),
        ]

    def became(self, board: str, since_ms: int) -> list[Became]:
        assert board == OWL
        self.since = since_ms
        return [Became("finished", "", 12), Became("refused", "late", 2)]


def test_a_board_tells_its_starts_and_what_became_of_its_cues() -> None:
    history = StandInHistory()
    with a_stage(dressed=lambda plain: replace(plain, boards=history)) as stage:
        page = stage.client.get(f"/boards/{OWL}").text

    starts = page[page.index("<h2>Starts<") :]
    assert starts.index("brown out") < starts.index("power on")
    assert "its supply sagged" in page
    assert "weakest signal -80 dBm, lowest 6.90 V" in page
    assert "ran 1 h 58 min" in page
    assert re.search(r"refused, late</dt><dd>2<", page)
    assert history.since == DUSK_MS - 86_400_000
