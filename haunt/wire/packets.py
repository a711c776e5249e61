"""MQTT 3.1.1 packets as bytes, as far as boards speak it: QoS 0 and 1, always a clean session.

For showing them and for looking into a stranger's; whoever talks to a broker uses a client.
Source of every number: OASIS MQTT Version 3.1.1, sections 2.2, 3.1, 3.3, 3.4, 3.8 and 3.12.
"""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

CONNECT: Final = 1
CONNACK: Final = 2
PUBLISH: Final = 3
PUBACK: Final = 4
SUBSCRIBE: Final = 8
SUBACK: Final = 9
PINGREQ: Final = 12
PINGRESP: Final = 13

PACKET_BYTES_MAX: Final = 4096
"""What the kept broker takes."""

_LENGTH_BYTES_MAX: Final = 4
_CLEAN, _WILL, _WILL_RETAIN, _PASSWORD, _NAME = 0x02, 0x04, 0x20, 0x40, 0x80


class NotMqtt(ValueError):  # noqa: N818 - the word says what the bytes are
    """Their fault: bytes that are no packet of MQTT 3.1.1, or a larger one than is allowed."""


class Will(NamedTuple):
    """What the broker says in a board's name once its connection is lost."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


class SignIn(NamedTuple):
    """A CONNECT packet. The password is not read."""

    client_id: str
    username: str
    clean_session: bool
    keepalive_s: int
    will: Will | None


class Message(NamedTuple):
    """A PUBLISH packet."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    packet_id: int = 0
    again: bool = False


class Packet(NamedTuple):
    """`body` is what follows the length; `whole` all of it."""

    kind: int
    flags: int
    body: bytes
    whole: bytes


def connect(sign_in: SignIn, password: str) -> bytes:
    flags = (_CLEAN if sign_in.clean_session else 0) | _NAME | _PASSWORD
    parts = [_text(sign_in.client_id)]
    will = sign_in.will
    if will is not None:
        flags |= _WILL | will.qos << 3 | (_WILL_RETAIN if will.retain else 0)
        parts += [_text(will.topic), _sized(will.payload)]
    parts += [_text(sign_in.username), _text(password)]
    head = _text("MQTT") + bytes((4, flags)) + sign_in.keepalive_s.to_bytes(2, "big")
    return packet(CONNECT, 0, head + b"".join(parts))


def publish(message: Message) -> bytes:
    flags = (8 if message.again else 0) | message.qos << 1 | int(message.retain)
    named = message.packet_id.to_bytes(2, "big") if message.qos else b""
    return packet(PUBLISH, flags, _text(message.topic) + named + message.payload)


def subscribe(packet_id: int, wanted: Sequence[tuple[str, int]]) -> bytes:
    body = b"".join(_text(topic) + bytes((qos,)) for topic, qos in wanted)
    return packet(SUBSCRIBE, 2, packet_id.to_bytes(2, "big") + body)


def packet(kind: int, flags: int, body: bytes = b"") -> bytes:
    length, rest = bytearray(), len(body)
    while True:
        rest, digit = rest >> 7, rest & 0x7F
        length.append(digit | (0x80 if rest else 0))
        if not rest:
            return bytes((kind << 4 | flags,)) + bytes(length) + body


class Splitter:
    """Takes bytes however the network cut them and holds no more than one packet of them."""

    def __init__(self, bytes_max: int = PACKET_BYTES_MAX) -> None:
        self._bytes_max = bytes_max
        self._held = bytearray()

    def feed(self, data: bytes) -> Iterator[Packet]:
        """Give the packets that are whole now. Raises NotMqtt."""
        self._held += data
        while (found := self._next()) is not None:
            yield found

    def _next(self) -> Packet | None:
        start, rest = _length(self._held)
        if not start:
            return None
        end = start + rest
        if end > self._bytes_max:
            raise NotMqtt(f"a packet of {end} bytes; allowed: at most {self._bytes_max}")
        if len(self._held) < end:
            return None
        whole = bytes(self._held[:end])
        del self._held[:end]
        return Packet(whole[0] >> 4, whole[0] & 0x0F, whole[start:], whole)


def read_sign_in(body: bytes) -> SignIn:
    """Read the body of a CONNECT. Raises NotMqtt."""
    name, at = _read_sized(body, 0)
    if name != b"MQTT" or len(body) < at + 4 or body[at] != 4:
        raise NotMqtt("a CONNECT of another protocol than MQTT 3.1.1")
    flags, keepalive_s = body[at + 1], int.from_bytes(body[at + 2 : at + 4], "big")
    client, at = _read_sized(body, at + 4)
    will = None
    if flags & _WILL:
        topic, at = _read_sized(body, at)
        payload, at = _read_sized(body, at)
        will = Will(_utf8(topic), payload, flags >> 3 & 3, bool(flags & _WILL_RETAIN))
    user = _read_sized(body, at)[0] if flags & _NAME else b""
    return SignIn(_utf8(client), _utf8(user), bool(flags & _CLEAN), keepalive_s, will)


def read_message(flags: int, body: bytes) -> Message:
    """Read a PUBLISH. Raises NotMqtt."""
    qos = flags >> 1 & 3
    topic, at = _read_sized(body, 0)
    if len(body) < at + (2 if qos else 0):
        raise NotMqtt("a PUBLISH that ends in its head")
    number = int.from_bytes(body[at : at + 2], "big") if qos else 0
    payload = body[at + 2 :] if qos else body[at:]
    return Message(_utf8(topic), payload, qos, bool(flags & 1), number, bool(flags & 8))


def _length(held: bytes | bytearray) -> tuple[int, int]:
    """Return where the body starts and its length; start 0 while that is not known."""
    rest = 0
    for place in range(1, _LENGTH_BYTES_MAX + 1):
        if len(held) <= place:
            return 0, 0
        rest |= (held[place] & 0x7F) << 7 * (place - 1)
        if not held[place] & 0x80:
            return place + 1, rest
    raise NotMqtt("a length of more than four bytes")


def _read_sized(body: bytes, at: int) -> tuple[bytes, int]:
    end = at + 2 + int.from_bytes(body[at : at + 2], "big")
    if len(body) < at + 2 or len(body) < end:
        raise NotMqtt("a text that ends too early")
    return body[at + 2 : end], end


def _utf8(raw: bytes) -> str:
    try:
        return raw.decode()
    except UnicodeDecodeError as fault:
        raise NotMqtt("a text that is not UTF-8") from fault


def _text(text: str) -> bytes:
    return _sized(text.encode())


def _sized(raw: bytes) -> bytes:
    return len(raw).to_bytes(2, "big") + raw
