"""Turns MQTT 3.1.1 packets into bytes and bytes into packets, QoS 0 and 1 only.

It must never hand out a packet in pieces: each packet is one buffer, for one write to the socket.
"""

PACKET_BYTES_MAX = 4096
PACKET_ID_MAX = 65535

_CONNECT = 1
_CONNACK = 2
_PUBLISH = 3
_PUBACK = 4
_SUBSCRIBE = 8
_SUBACK = 9
_PINGREQ = 12
_PINGRESP = 13
_DISCONNECT = 14


class PacketError(Exception):
    """The peer broke the protocol; the connection is of no more use."""


def connect(client_id, keepalive_s, will=None, username=None, password=None):
    """Always with a clean session; `will` is (topic, payload), QoS 1 and retained."""
    flags = 0x02
    body = [_text(client_id)]
    if will is not None:
        flags |= 0x04 | (1 << 3) | 0x20
        body.append(_text(will[0]))
        body.append(_two(len(will[1])) + will[1])
    if username is not None:
        flags |= 0x80
        body.append(_text(username))
    if password is not None:
        flags |= 0x40
        body.append(_text(password))
    header = _text("MQTT") + bytes((4, flags)) + _two(keepalive_s)
    return _packet(_CONNECT, 0, header + b"".join(body))


def publish(topic, payload, qos=0, retain=False, packet_id=0, dup=False):
    flags = (0x08 if dup else 0) | (qos << 1) | (0x01 if retain else 0)
    identifier = _two(packet_id) if qos else b""
    return _packet(_PUBLISH, flags, _text(topic) + identifier + payload)


def puback(packet_id):
    return _packet(_PUBACK, 0, _two(packet_id))


def subscribe(packet_id, filters):
    """`filters` is a list of (topic filter, QoS)."""
    body = b"".join(_text(topic) + bytes((qos,)) for topic, qos in filters)
    return _packet(_SUBSCRIBE, 2, _two(packet_id) + body)


def pingreq():
    return _packet(_PINGREQ, 0, b"")


def disconnect():
    return _packet(_DISCONNECT, 0, b"")


class Parser:
    """Takes bytes however the network cut them; what it holds is bounded by the largest packet."""

    def __init__(self, packet_bytes_max=PACKET_BYTES_MAX):
        self._held = b""
        self._packet_bytes_max = packet_bytes_max

    def feed(self, data):
        """The packets that are whole now, as tuples named in their first place."""
        self._held += data
        found = []
        while True:
            size = self._whole_size()
            if size == 0:
                return found
            found.append(_packet_from(self._held[:size]))
            self._held = self._held[size:]

    def _whole_size(self):
        """Bytes of the first packet, 0 if it is not whole yet."""
        start, remaining = _remaining_length(self._held)
        if start == 0:
            return 0
        if start + remaining > self._packet_bytes_max:
            raise PacketError("packet of %d bytes" % (start + remaining))
        return start + remaining if len(self._held) >= start + remaining else 0


def _remaining_length(held):
    """(where the body starts, its length); start 0 while the length itself is not whole."""
    remaining = 0
    for place in range(1, 5):
        if len(held) <= place:
            return 0, 0
        remaining |= (held[place] & 0x7F) << (7 * (place - 1))
        if not held[place] & 0x80:
            return place + 1, remaining
    raise PacketError("remaining length of more than four bytes")


def _packet_from(whole):
    kind, flags = whole[0] >> 4, whole[0] & 0x0F
    body = whole[_remaining_length(whole)[0] :]
    if kind == _PUBLISH:
        return _publish_from(flags, body)
    if flags:
        raise PacketError("flags %d on packet kind %d" % (flags, kind))
    if kind == _CONNACK and len(body) == 2:
        return ("connack", body[1], bool(body[0] & 1))
    if kind == _PUBACK and len(body) == 2:
        return ("puback", body[0] << 8 | body[1])
    if kind == _SUBACK and len(body) > 2:
        return ("suback", body[0] << 8 | body[1], tuple(body[2:]))
    if kind == _PINGRESP and not body:
        return ("pingresp",)
    raise PacketError("packet kind %d with %d bytes" % (kind, len(body)))


def _publish_from(flags, body):
    qos, retain, dup = flags >> 1 & 3, bool(flags & 1), bool(flags & 8)
    if qos > 1:
        raise PacketError("QoS %d was never asked for" % qos)
    if len(body) < 2:
        raise PacketError("a publish without a topic")
    end = 2 + (body[0] << 8 | body[1])
    start = end + (2 if qos else 0)
    if end == 2 or len(body) < start:
        raise PacketError("a publish that ends in its header")
    packet_id = body[end] << 8 | body[end + 1] if qos else 0
    if qos and not packet_id:
        raise PacketError("a publish with packet id 0")
    try:
        topic = str(body[2:end], "utf-8")
    except ValueError:
        raise PacketError("a topic that is not UTF-8")
    return ("publish", topic, body[start:], qos, retain, dup, packet_id)


def _two(number):
    return bytes((number >> 8, number & 0xFF))


def _text(text):
    raw = bytes(text, "utf-8")
    return _two(len(raw)) + raw


def _packet(kind, flags, body):
    length = bytearray()
    remaining = len(body)
    while True:
        digit, remaining = remaining & 0x7F, remaining >> 7
        length.append(digit | (0x80 if remaining else 0))
        if not remaining:
            return bytes((kind << 4 | flags,)) + bytes(length) + body
