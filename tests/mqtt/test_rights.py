"""Goal: a board reaches its own topics only, and nobody can disturb another board.

Method: real Mosquitto with the files we write; "hears nothing" is shown by a later message that
does arrive, since one sender's messages keep their order.
"""

import queue

import pytest

from haunt.mqtt.credentials import CredentialRefused
from tests.mqtt.stage import MOSQUITTO, TOPICS, Board, Garden, Heard, until

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


def hears_next(board: Board, garden: Garden, heard: Heard) -> None:
    """The controller can still reach the board, which never lost its connection."""
    client = garden.connected(heard)
    assert client.publish(TOPICS.cue("b1"), b"boo", qos=1, retain=False)
    assert board.next() == (TOPICS.cue("b1"), b"boo")
    assert board.cut_off.empty()


@pytest.mark.parametrize("kind", ["presence", "motion", "health", "report"])
def test_a_board_writes_its_own_topics_and_not_anothers(garden: Garden, kind: str) -> None:
    heard = Heard()
    garden.connected(heard)
    board = garden.board("b2")

    board.publish(f"haunt/garden/b1/{kind}", b"forged")
    board.publish(f"haunt/garden/b2/{kind}", b"own")

    arrival = heard.arrival()
    assert (arrival.topic, arrival.payload) == (f"haunt/garden/b2/{kind}", b"own")


@pytest.mark.parametrize("topic", ["haunt/garden/all/stop", "haunt/garden/b2/cue"])
def test_a_board_cannot_speak_for_the_controller(garden: Garden, topic: str) -> None:
    heard = Heard()
    client = garden.connected(heard)
    listener = garden.board("b2").subscribe("haunt/garden/all/#", TOPICS.cue("b2"))
    forger = garden.board("b1")

    forger.publish(topic, b"forged")
    forger.publish(TOPICS.motion("b1"), b"after")
    assert heard.arrival().payload == b"after"
    client.publish(topic, b"real", qos=1, retain=False)

    assert listener.next() == (topic, b"real")


@pytest.mark.parametrize("wanted", ["haunt/garden/b1/cue", "haunt/garden/+/cue", "haunt/#", "#"])
def test_a_board_hears_its_own_cues_and_not_anothers(garden: Garden, wanted: str) -> None:
    heard = Heard()
    client = garden.connected(heard)
    board = garden.board("b2").subscribe(wanted, TOPICS.cue("b2"))

    client.publish(TOPICS.cue("b1"), b"for b1", qos=1, retain=False)
    client.publish(TOPICS.cue("b2"), b"for b2", qos=1, retain=False)

    assert board.next() == (TOPICS.cue("b2"), b"for b2")


def test_a_board_does_not_get_anothers_retained_settings(garden: Garden) -> None:
    heard = Heard()
    client = garden.connected(heard)
    for each in ("b1", "b2"):
        client.publish(TOPICS.settings(each), each.encode(), qos=1, retain=True)
    client.publish(TOPICS.stop, b"{}", qos=1, retain=True)
    assert heard.arrival().topic == TOPICS.stop  # the broker has all three

    board = garden.board("b2").subscribe(TOPICS.settings("b1"), TOPICS.settings("b2"))

    assert board.next() == (TOPICS.settings("b2"), b"b2")
    client.publish(TOPICS.settings("b2"), b"again", qos=1, retain=True)
    assert board.next() == (TOPICS.settings("b2"), b"again")


def test_a_boards_own_will_is_spoken(garden: Garden) -> None:
    heard = Heard()
    garden.connected(heard)
    board = garden.board("b1", will=TOPICS.presence("b1"))
    assert board.is_welcome

    board.drop()

    arrival = heard.arrival()
    assert (arrival.topic, arrival.payload) == (TOPICS.presence("b1"), b"will")


def test_a_will_on_anothers_topic_is_not_spoken(garden: Garden) -> None:
    heard = Heard()
    garden.connected(heard)

    forger = garden.board("b2", will=TOPICS.presence("b1"))
    if forger.is_welcome:
        forger.drop()
        forger.cut_off.get(timeout=5)
    # The broker has closed the forger's session once the same id is let in again.
    garden.board("b2").publish(TOPICS.presence("b2"), b"after")

    assert heard.arrival().payload == b"after"


def test_a_wrong_password_gets_nobody_in_and_disturbs_nobody(garden: Garden) -> None:
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))

    wrong = garden.board("b1", "guess")

    assert not wrong.is_welcome
    assert wrong.said == "Not authorized"
    hears_next(board, garden, Heard())


def test_another_boards_client_id_disturbs_nobody(garden: Garden) -> None:
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))

    other = garden.board("b2", client_id="b1").subscribe(TOPICS.cue("b1"))

    hears_next(board, garden, Heard())
    assert other.heard.empty()


def test_nobody_gets_in_without_a_name(garden: Garden) -> None:
    assert not garden.board("", "").is_welcome


def test_a_rotated_password_counts_after_reload(garden: Garden) -> None:
    old = garden.passwords["b1"]
    new = garden.credentials.rotate("b1")

    garden.kept.reload()

    until(lambda: garden.board("b1", new).is_welcome, "the new password to count")
    assert not garden.board("b1", old).is_welcome


def test_a_revoked_board_is_out_after_reload_and_others_stay(garden: Garden) -> None:
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))
    revoked = garden.board("b2")
    garden.credentials.revoke("b2")

    garden.kept.reload()

    assert revoked.cut_off.get(timeout=10).is_failure
    assert not garden.board("b2").is_welcome
    hears_next(board, garden, Heard())


def test_a_new_board_gets_in_after_reload(garden: Garden) -> None:
    garden.admit("b3")

    garden.kept.reload()

    until(lambda: garden.board("b3").is_welcome, "the new board to be let in")


def test_credentials_are_refused_in_words(garden: Garden) -> None:
    credentials = garden.credentials
    with pytest.raises(CredentialRefused, match="has a credential already"):
        credentials.add("b1")
    with pytest.raises(CredentialRefused, match="those that have: b1, b2"):
        credentials.rotate("b9")
    with pytest.raises(CredentialRefused, match="allowed: 1 to 32"):
        credentials.add("b1:x\nroot")
    with pytest.raises(CredentialRefused, match="board id 'garden-controller'"):
        credentials.add("garden-controller")
    assert credentials.boards() == ["b1", "b2"]


def test_no_board_password_is_kept_in_the_folder(garden: Garden) -> None:
    kept = "".join(
        each.read_text(errors="replace") for each in garden.folder.iterdir() if each.is_file()
    )

    assert "b1" in kept
    for password in garden.passwords.values():
        assert password not in kept


def test_a_board_hears_the_stop_and_the_beat(garden: Garden) -> None:
    client = garden.connected(Heard())
    board = garden.board("b1").subscribe(*(each.topic for each in TOPICS.board_subscriptions("b1")))

    client.publish(TOPICS.stop, b"stop", qos=1, retain=True)
    client.publish(TOPICS.beat, b"beat", qos=0, retain=False)

    assert {board.next(), board.next()} == {(TOPICS.stop, b"stop"), (TOPICS.beat, b"beat")}
    with pytest.raises(queue.Empty):
        board.heard.get_nowait()
