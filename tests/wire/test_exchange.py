"""Goal: the exchange that is shown is one that the decoder, the boards and a broker would take.

Method: every packet is read back with our own reader and with the boards', every payload with the
decoder; flags against the table of topics.
"""

from types import SimpleNamespace

from haunt.wire.exchange import Cast, Step, exchange
from haunt.wire.packets import (
    CONNECT,
    PUBLISH,
    SUBSCRIBE,
    Splitter,
    read_message,
    read_sign_in,
)
from haunt.wire.payloads import Gone, decode
from haunt.wire.topics import KINDS, QOS, RETAINED, UP_KINDS, Topics
from tests.firmware.modules import load

CAST = Cast("yard")
STEPS = exchange(CAST)
TOPICS = Topics("yard")


def published() -> list[tuple[Step, int, bytes]]:
    return [
        (step, each.flags, each.body)
        for step in STEPS
        for each in Splitter().feed(step.raw)
        if each.kind == PUBLISH
    ]


def test_every_step_is_one_whole_packet() -> None:
    for step in STEPS:
        (found,) = Splitter().feed(step.raw)
        assert found.whole == step.raw


def test_it_shows_every_kind_of_payload_and_each_can_be_decoded() -> None:
    seen = set()
    for step, flags, body in published():
        message = read_message(flags, body)
        place = TOPICS.parse(message.topic)
        assert place is not None
        assert decode(place.kind, message.payload)
        assert (message.topic, message.payload) == (step.topic, step.payload)
        assert (step.by == "board") == (place.kind in UP_KINDS)
        seen.add(place.kind)
    assert seen == set(KINDS)


def test_flags_are_those_of_the_topics() -> None:
    for step, flags, body in published():
        message = read_message(flags, body)
        place = TOPICS.parse(message.topic)
        assert place is not None
        assert message.qos == QOS[place.kind]
        assert bool(message.packet_id) == bool(message.qos)
        if step.by == "board":
            assert message.retain is (place.kind in RETAINED)
        else:
            assert not message.retain or place.kind in RETAINED
        assert step.flags == f"QoS {message.qos}, {'' if message.retain else 'not '}retained"


def test_the_sign_in_carries_the_last_will() -> None:
    (found,) = Splitter().feed(STEPS[0].raw)
    assert found.kind == CONNECT
    sign_in = read_sign_in(found.body)

    assert (sign_in.client_id, sign_in.username, sign_in.clean_session) == ("gate", "gate", True)
    assert sign_in.keepalive_s == 10
    assert sign_in.will is not None
    assert sign_in.will.topic == TOPICS.presence("gate")
    assert (sign_in.will.qos, sign_in.will.retain) == (1, True)
    assert isinstance(decode("presence", sign_in.will.payload), Gone)


def test_a_board_subscribes_to_all_that_it_may_hear() -> None:
    (found,) = Splitter().feed(next(s.raw for s in STEPS if s.name == "SUBSCRIBE"))
    assert found.kind == SUBSCRIBE
    for topic, qos in TOPICS.board_subscriptions("gate"):
        assert topic.encode() + bytes((qos,)) in found.body


def test_the_boards_of_the_firmware_read_what_it_is_told() -> None:
    firmware = SimpleNamespace(**load())
    parser = firmware.packets.Parser()
    for step in STEPS:
        if step.by != "board":
            (packet,) = parser.feed(step.raw)
            if packet[0] == "publish":
                kind = packet[1].rpartition("/")[2]
                assert firmware.payloads.decode(kind, packet[2]) is not None


def test_the_bytes_are_shown_eight_a_line() -> None:
    lines = STEPS[0].dump.splitlines()

    assert bytes.fromhex("".join(line[4:27] for line in lines)) == STEPS[0].raw
    assert max(map(len, lines)) == 36
    assert lines[0].endswith("MQTT") or "MQTT" in lines[0]
