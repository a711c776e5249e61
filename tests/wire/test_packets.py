"""Goal: MQTT packets are the bytes that the standard asks for, however the network cuts them.

Method: packets worked out by hand from MQTT 3.1.1 (OASIS, sections 2.2, 3.1, 3.3, 3.8); random
values there and back, and as another codec writes them; random bytes, which may only be refused;
the boards' own reader.
"""

from types import SimpleNamespace

import pytest
from amqtt.mqtt.connect import ConnectPacket, ConnectPayload, ConnectVariableHeader
from amqtt.mqtt.publish import PublishPacket
from hypothesis import given
from hypothesis import strategies as st

from haunt.wire.packets import (
    CONNECT,
    PUBLISH,
    Message,
    NotMqtt,
    SignIn,
    Splitter,
    Will,
    connect,
    packet,
    publish,
    read_message,
    read_sign_in,
    subscribe,
)
from tests.firmware.modules import load
from tests.outside.registry import outside

BOARD = SimpleNamespace(**load())
GATE = SignIn("gate", "gate", clean_session=True, keepalive_s=10, will=Will("t", b"{}", 1, True))

words = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20)
wills = st.none() | st.builds(Will, words, st.binary(max_size=50), st.integers(0, 1), st.booleans())
sign_ins = st.builds(SignIn, words, words, st.booleans(), st.integers(0, 65535), wills)
messages = st.builds(
    Message,
    words,
    st.binary(max_size=300),
    st.just(1),
    st.booleans(),
    st.integers(1, 65535),
    st.booleans(),
)


def test_a_sign_in_is_the_bytes_of_the_standard() -> None:
    assert connect(GATE, "pw") == bytes.fromhex(
        "10 21"  # CONNECT, 33 bytes
        "00 04 4d 51 54 54 04"  # "MQTT", level 4
        "ee 00 0a"  # name, password, kept will of QoS 1, clean; keepalive 10
        "00 04 67 61 74 65"  # client id
        "00 01 74 00 02 7b 7d"  # the will's topic and payload
        "00 04 67 61 74 65 00 02 70 77"  # name and password
    )
    outside("mqtt/controller").agrees()


def test_a_message_and_a_subscription_are_the_bytes_of_the_standard() -> None:
    assert publish(Message("a/b", b"hi", 1, True, 10)) == bytes.fromhex("330900 03612f62 000a 6869")
    assert publish(Message("a/b", b"hi")) == bytes.fromhex("30070003612f626869")
    assert subscribe(7, [("a", 1), ("b", 0)]) == bytes.fromhex("820a 0007 000161 01 000162 00")
    assert packet(PUBLISH, 0, bytes(321))[:3] == bytes.fromhex("30c102")
    outside("mqtt/controller").agrees(cases=4)


def test_the_boards_own_writer_makes_the_same() -> None:
    assert BOARD.packets.connect("gate", 10, ("t", b"{}"), "gate", "pw") == connect(GATE, "pw")
    assert BOARD.packets.subscribe(7, [("a", 1), ("b", 0)]) == subscribe(7, [("a", 1), ("b", 0)])


@given(message=messages)
def test_another_codec_writes_the_same_message(message: Message) -> None:
    """QoS 1, kept or not, again or not; amqtt's is the codec of the broker of last resort."""
    theirs = PublishPacket.build(
        message.topic, message.payload, message.packet_id, message.again, 1, message.retain
    )
    outside("mqtt/amqtt").agrees(wrong=int(bytes(theirs.to_bytes()) != publish(message)))


@given(sign_in=sign_ins, password=words)
def test_another_codec_writes_the_same_sign_in(sign_in: SignIn, password: str) -> None:
    will = sign_in.will
    flags = 0xC0 | sign_in.clean_session << 1
    if will is not None:
        flags |= will.retain << 5 | will.qos << 3 | 0x04
    theirs = ConnectPacket(
        variable_header=ConnectVariableHeader(flags, sign_in.keepalive_s),
        payload=ConnectPayload(
            sign_in.client_id,
            will.topic if will else None,
            will.payload if will else None,
            sign_in.username,
            password,
        ),
    )
    wrong = bytes(theirs.to_bytes()) != connect(sign_in, password)
    outside("mqtt/amqtt").agrees(wrong=int(wrong))


@given(sign_in=sign_ins, password=words)
def test_a_sign_in_is_read_back(sign_in: SignIn, password: str) -> None:
    (found,) = Splitter().feed(connect(sign_in, password))

    assert found.kind == CONNECT
    assert read_sign_in(found.body) == sign_in


@given(sent=st.lists(messages, max_size=5), cut=st.integers(1, 40))
def test_messages_are_read_back_however_they_are_cut(sent: list[Message], cut: int) -> None:
    line, splitter = b"".join(map(publish, sent)), Splitter()

    found = [each for at in range(0, len(line), cut) for each in splitter.feed(line[at : at + cut])]

    assert [read_message(each.flags, each.body) for each in found] == sent
    assert b"".join(each.whole for each in found) == line


@given(raw=st.binary(max_size=200))
def test_any_bytes_are_packets_or_refused(raw: bytes) -> None:
    try:
        for each in Splitter().feed(raw):
            assert each.whole in raw
            for read in (read_sign_in, lambda body, its=each: read_message(its.flags, body)):
                try:
                    read(each.body)
                except NotMqtt:
                    continue
    except NotMqtt:
        return


@pytest.mark.parametrize(
    "raw", [b"\x30\xff\xff\xff\xff\x01", b"\x30\xff\xff\x7f", packet(PUBLISH, 0, bytes(5000))]
)
def test_what_is_too_large_is_refused_before_it_is_held(raw: bytes) -> None:
    with pytest.raises(NotMqtt):
        list(Splitter().feed(raw))


@pytest.mark.parametrize(
    "body",
    [b"", b"\0\4MQTT\5\2\0\x0a\0\0", b"\0\6MQIsdp\3\2\0\x0a\0\0", b"\0\4MQTT\4\2\0\x0a\0\5a"],
)
def test_another_protocol_or_a_torn_sign_in_is_refused(body: bytes) -> None:
    with pytest.raises(NotMqtt):
        read_sign_in(body)
