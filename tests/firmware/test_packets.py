"""Goal: the codec keeps MQTT 3.1.1 and takes its bytes however the network cuts them.

Method: packets written by hand from the standard, and random streams fed whole and in random
pieces, which must give the same packets; broken bytes raise PacketError and nothing else.
"""

import itertools
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.outside.registry import outside

topics = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), min_size=1, max_size=40
)


@st.composite
def publishes(draw: st.DrawFn) -> dict[str, Any]:
    qos = draw(st.integers(0, 1))
    return {
        "topic": draw(topics),
        "payload": draw(st.binary(max_size=300)),
        "qos": qos,
        "retain": draw(st.booleans()),
        "packet_id": draw(st.integers(1, 65535)) if qos else 0,
        "dup": draw(st.booleans()),
    }


def test_a_connect_carries_will_sign_in_and_keepalive(firmware: SimpleNamespace) -> None:
    packet = firmware.packets.connect("gate", 10, ("h/gate/presence", b"gone"), "gate", "word")

    assert packet == (
        b"\x10\x33\x00\x04MQTT\x04\xee\x00\x0a"
        b"\x00\x04gate\x00\x0fh/gate/presence\x00\x04gone\x00\x04gate\x00\x04word"
    )
    outside("mqtt/board").agrees()


def test_a_bare_connect_asks_for_a_clean_session_only(firmware: SimpleNamespace) -> None:
    assert (
        firmware.packets.connect("gate", 10) == b"\x10\x10\x00\x04MQTT\x04\x02\x00\x0a\x00\x04gate"
    )


def test_small_packets_are_as_the_standard_writes_them(firmware: SimpleNamespace) -> None:
    packets = firmware.packets

    assert packets.publish("a/b", b"hi") == b"\x30\x07\x00\x03a/bhi"
    assert packets.publish("a/b", b"hi", 1, True, 258, True) == b"\x3b\x09\x00\x03a/b\x01\x02hi"
    assert packets.puback(258) == b"\x40\x02\x01\x02"
    assert (
        packets.subscribe(7, [("a/#", 1), ("b", 0)])
        == b"\x82\x0c\x00\x07\x00\x03a/#\x01\x00\x01b\x00"
    )
    assert packets.pingreq() == b"\xc0\x00"
    assert packets.disconnect() == b"\xe0\x00"
    outside("mqtt/board").agrees(cases=6)


def test_a_long_packet_has_a_length_of_two_bytes(firmware: SimpleNamespace) -> None:
    packet = firmware.packets.publish("t", b"x" * 200)

    assert packet[:3] == b"\x30\xcb\x01"
    assert len(packet) == 3 + 203
    outside("mqtt/board").agrees()


@given(streams=st.lists(publishes(), max_size=6), cuts=st.lists(st.integers(0, 3000), max_size=12))
def test_any_split_of_the_bytes_gives_the_same_packets(
    firmware: SimpleNamespace, streams: list[dict[str, Any]], cuts: list[int]
) -> None:
    stream = b"\x20\x02\x01\x00\x90\x04\x00\x07\x01\x80\xd0\x00\x40\x02\x01\x02" + b"".join(
        firmware.packets.publish(**each) for each in streams
    )
    edges = [0, *sorted(cut % (len(stream) + 1) for cut in cuts), len(stream)]
    parser = firmware.packets.Parser()

    found: list[Any] = []
    for start, end in itertools.pairwise(edges):
        found += parser.feed(stream[start:end])

    assert found == [
        ("connack", 0, True),
        ("suback", 7, (1, 0x80)),
        ("pingresp",),
        ("puback", 258),
        *(
            ("publish", e["topic"], e["payload"], e["qos"], e["retain"], e["dup"], e["packet_id"])
            for e in streams
        ),
    ]


def test_one_byte_at_a_time_gives_the_same_packet(firmware: SimpleNamespace) -> None:
    packet = firmware.packets.publish("t", b"x" * 300, 1, packet_id=9)
    parser = firmware.packets.Parser()

    found = [
        each for place in range(len(packet)) for each in parser.feed(packet[place : place + 1])
    ]

    assert found == [("publish", "t", b"x" * 300, 1, False, False, 9)]


@pytest.mark.parametrize(
    "broken",
    [
        b"\x30\xff\xff\xff\xff\x01",  # a length of five bytes
        b"\x30\xfe\x1f",  # 4097 bytes with its header
        b"\x34\x05\x00\x01t\x00\x01",  # QoS 2
        b"\x36\x05\x00\x01t\x00\x01",  # QoS 3
        b"\x32\x05\x00\x01t\x00\x00",  # packet id 0
        b"\x30\x02\x00\x00",  # no topic
        b"\x30\x01\x00",  # half a topic length
        b"\x30\x03\x00\x05t",  # topic longer than the packet
        b"\x32\x03\x00\x01t",  # no packet id
        b"\x30\x04\x00\x02\xff\xfe",  # topic not UTF-8
        b"\x41\x02\x00\x01",  # flags on an acknowledgement
        b"\x40\x03\x00\x01\x00",  # an acknowledgement too long
        b"\x20\x01\x00",  # half a CONNACK
        b"\x90\x02\x00\x01",  # a SUBACK without codes
        b"\xd0\x01\x00",  # a ping answer with a body
        b"\xc0\x00",  # what only a client sends
        b"\x00\x00",
        b"\xf0\x00",
    ],
)
def test_broken_bytes_end_the_connection(firmware: SimpleNamespace, broken: bytes) -> None:
    with pytest.raises(firmware.packets.PacketError):
        firmware.packets.Parser().feed(broken)
    outside("mqtt/broken").agrees()


def test_the_largest_packet_passes(firmware: SimpleNamespace) -> None:
    packet = firmware.packets.publish("t", b"x" * 4090)

    assert len(packet) == firmware.packets.PACKET_BYTES_MAX
    assert len(firmware.packets.Parser().feed(packet)) == 1


@given(st.lists(st.binary(max_size=60), max_size=20))
def test_random_bytes_raise_packet_error_or_nothing(
    firmware: SimpleNamespace, pieces: list[bytes]
) -> None:
    parser = firmware.packets.Parser()
    try:
        for piece in pieces:
            parser.feed(piece)
    except firmware.packets.PacketError as fault:
        assert str(fault)  # noqa: PT017 - either end is right, no other exception is
