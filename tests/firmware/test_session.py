"""Goal: a connection signs in, subscribes to its own topics, pings, and gives up in time.

Method: a session on a virtual clock; the broker's side is bytes written by hand.
"""

import json
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.firmware.modules import CONFIG

CONNACK = b"\x20\x02\x00\x00"
SUBACK = b"\x90\x06\x00\x01\x01\x00\x01\x01"
PINGRESP = b"\xd0\x00"
WILL = ("haunt/yard/gate/presence", b"{}")


def opened(firmware: SimpleNamespace) -> Any:
    session = firmware.session.Session(firmware.config.parse(json.dumps(CONFIG)))
    session.open(0, *WILL)
    return session


def test_it_is_connected_once_the_subscription_stands(firmware: SimpleNamespace) -> None:
    session = opened(firmware)

    events, replies = session.receive(10, CONNACK)
    assert (events, session.is_up) == ([], False)
    assert replies == [
        firmware.packets.subscribe(
            1,
            [
                ("haunt/yard/all/stop", 1),
                ("haunt/yard/all/beat", 0),
                ("haunt/yard/gate/settings", 1),
                ("haunt/yard/gate/cue", 1),
            ],
        )
    ]
    assert session.receive(20, SUBACK) == ([("connected",)], [])
    assert session.is_up


def test_a_stop_kept_by_the_broker_comes_before_connected(firmware: SimpleNamespace) -> None:
    session = opened(firmware)
    kept = firmware.packets.publish("haunt/yard/all/stop", b"{}", 1, True, 5)

    events, replies = session.receive(10, CONNACK + kept + SUBACK)

    assert events == [("message", "haunt/yard/all/stop", b"{}", True), ("connected",)]
    assert replies[1:] == [firmware.packets.puback(5)]


@pytest.mark.parametrize(
    "answer", [b"\x20\x02\x00\x05", CONNACK + b"\x90\x06\x00\x01\x01\x80\x01\x01"]
)
def test_a_refusal_ends_the_session(firmware: SimpleNamespace, answer: bytes) -> None:
    with pytest.raises(firmware.session.SessionError):
        opened(firmware).receive(10, answer)


def test_a_silent_broker_is_given_five_seconds(firmware: SimpleNamespace) -> None:
    session = opened(firmware)

    assert session.due(4999) == []
    with pytest.raises(firmware.session.SessionError):
        session.due(5000)


def test_pings_go_every_five_seconds_and_must_be_answered(firmware: SimpleNamespace) -> None:
    session = opened(firmware)
    session.receive(0, CONNACK + SUBACK)

    assert session.due(4999) == []
    assert session.due(5000) == [firmware.packets.pingreq()]
    assert session.due(6000) == []
    session.receive(6000, PINGRESP)
    assert session.due(10999) == []
    assert session.due(11000) == [firmware.packets.pingreq()]
    with pytest.raises(firmware.session.SessionError):
        session.due(16000)


def test_only_what_asks_for_it_is_acknowledged(firmware: SimpleNamespace) -> None:
    session = opened(firmware)
    session.receive(0, CONNACK + SUBACK)
    once = firmware.packets.publish("haunt/yard/all/beat", b"{}")

    assert session.receive(1, once)[1] == []


def test_an_acknowledgement_names_the_message_it_is_for(firmware: SimpleNamespace) -> None:
    session = opened(firmware)
    session.receive(0, CONNACK + SUBACK)
    parser = firmware.packets.Parser()
    sent = [parser.feed(session.publish("t", b"", 1, False, token))[0] for token in (41, 0, 42)]
    acks = [firmware.packets.puback(packet[6]) for packet in sent]

    assert session.receive(1, acks[2] + acks[1] + acks[0])[0] == [("acked", 42), ("acked", 41)]
    assert session.receive(2, acks[0])[0] == []


def test_a_packet_id_underway_is_not_given_twice(firmware: SimpleNamespace) -> None:
    session = opened(firmware)
    session.receive(0, CONNACK + SUBACK)
    parser = firmware.packets.Parser()
    slow = parser.feed(session.publish("t", b"", 1, False, 1))[0][6]

    others = set()
    for _ in range(65600):
        packet_id = parser.feed(session.publish("t", b"", 1, False, 2))[0][6]
        session.receive(1, firmware.packets.puback(packet_id))
        others.add(packet_id)

    assert slow not in others
    assert others == set(range(1, 65536)) - {slow}


@given(boot=st.integers(0, 2**48 - 1))
def test_waits_grow_to_a_bound_and_start_again(firmware: SimpleNamespace, boot: int) -> None:
    backoff = firmware.session.Backoff(f"{boot:012x}")

    waits = [backoff.next_ms() for _ in range(8)]
    for wait, ceiling in zip(waits, [500, 1000, 2000, 4000, 5000, 5000, 5000, 5000], strict=True):
        assert ceiling // 2 <= wait < ceiling
    backoff.reset()
    assert backoff.next_ms() < 500


def test_boards_do_not_come_back_in_step(firmware: SimpleNamespace) -> None:
    waits = {firmware.session.Backoff(f"{boot:012x}").next_ms() for boot in range(100)}

    assert len(waits) > 50
