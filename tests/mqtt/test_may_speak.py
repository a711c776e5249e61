"""Goal: a server that may not speak for the show any more sends nothing, hears nothing.

Method: real Mosquitto; the word of the database is a list that the test changes.
"""

import pytest

from tests.mqtt.stage import MOSQUITTO, TOPICS, Garden, Heard

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


def test_who_may_not_speak_leaves_the_line_and_what_came_meanwhile_is_sent_again(
    garden: Garden,
) -> None:
    board, heard, may = garden.board("b1").subscribe(TOPICS.cue("b1")), Heard(), [True]
    client = garden.client(heard)
    client._may_speak = lambda: may[0]
    client.start()
    heard.link(up=True)
    assert client.publish(TOPICS.cue("b1"), b"first", qos=1, retain=False)
    assert board.next() == (TOPICS.cue("b1"), b"first")

    may[0] = False
    assert not client.publish(TOPICS.cue("b1"), b"of an earlier owner", qos=1, retain=False)
    board.publish(TOPICS.motion("b1"), b"one")
    heard.link(up=False)
    assert heard.arrivals.empty(), "it decides nothing"

    may[0] = True
    heard.link(up=True)
    assert heard.arrival().payload == b"one"
    assert client.publish(TOPICS.cue("b1"), b"last", qos=1, retain=False)
    assert board.next() == (TOPICS.cue("b1"), b"last"), "nothing was kept of what was refused"


def test_who_may_not_speak_at_the_start_connects_when_it_may(garden: Garden) -> None:
    heard, may = Heard(), [False]
    client = garden.client(heard)
    client._may_speak = lambda: may[0]
    client.start()
    assert not client.statistics().connected

    may[0] = True

    heard.link(up=True)
