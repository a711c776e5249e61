"""MQTT packets written by hand, for what no client library sends. Names and topics are bytes."""

import socket
import ssl
import struct
from typing import NamedTuple, Self

CONNECT, CONNACK, PUBLISH, PUBACK = 0x10, 0x20, 0x30, 0x40
SUBSCRIBE, SUBACK, PINGREQ, PINGRESP, DISCONNECT = 0x82, 0x90, 0xC0, 0xD0, 0xE0
PATIENCE_S = 10.0


class Will(NamedTuple):
    topic: bytes
    payload: bytes = b"will"
    qos: int = 1
    retain: bool = False


class Message(NamedTuple):
    topic: bytes
    payload: bytes
    retain: bool


def text(raw: bytes) -> bytes:
    return struct.pack(">H", len(raw)) + raw


def packet(first: int, body: bytes, *, claim: int | None = None) -> bytes:
    """`claim` is the length told, where it is not the true one."""
    length, head = len(body) if claim is None else claim, bytearray([first])
    while True:
        length, low = divmod(length, 128)
        head.append(low | (0x80 if length else 0))
        if not length:
            return bytes(head) + body


def connect(
    name: bytes | None,
    password: bytes | None = None,
    client_id: bytes | None = None,
    *,
    will: Will | None = None,
    clean: bool = True,
    keepalive_s: int = 60,
) -> bytes:
    flags = 2 if clean else 0
    body = text(name or b"" if client_id is None else client_id)
    if will is not None:
        flags |= 4 | will.qos << 3 | (0x20 if will.retain else 0)
        body += text(will.topic) + text(will.payload)
    if name is not None:
        flags |= 0x80
        body += text(name)
    if password is not None:
        flags |= 0x40
        body += text(password)
    return packet(CONNECT, b"\x00\x04MQTT\x04" + struct.pack(">BH", flags, keepalive_s) + body)


def publish(topic: bytes, payload: bytes, *, qos: int = 1, retain: bool = False) -> bytes:
    mid = struct.pack(">H", 7) if qos else b""
    return packet(PUBLISH | qos << 1 | retain, text(topic) + mid + payload)


def subscribe(*filters: bytes) -> bytes:
    return packet(SUBSCRIBE, b"\x00\x09" + b"".join(text(each) + b"\x01" for each in filters))


class RawClient:
    """One connection; whatever the broker closes is told as ConnectionError or as None."""

    def __init__(self, port: int, tls: ssl.SSLContext | None = None) -> None:
        self._sock = socket.create_connection(("127.0.0.1", port), PATIENCE_S)
        self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if tls is not None:
            self._sock = tls.wrap_socket(self._sock, server_hostname="localhost")
        self.granted: list[int] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._sock.close()

    def vanish(self) -> None:
        """Reset the connection: the broker must speak the will."""
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._sock.close()

    def send(self, raw: bytes) -> None:
        self._sock.sendall(raw)

    def sign_in(self, raw: bytes) -> int | None:
        """Send a CONNECT; return the broker's code, None where it closed without one."""
        try:
            self.send(raw)
            kind, body = self.read()
        except ConnectionError:
            return None
        return body[1] if kind == CONNACK else None

    def read(self) -> tuple[int, bytes]:
        first, length, shift = self._exactly(1)[0], 0, 0
        while True:
            byte = self._exactly(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return first, self._exactly(length)

    def heard(self) -> list[Message]:
        """Return all that the broker had for us when it came to a ping sent now."""
        self.send(packet(PINGREQ, b""))
        found: list[Message] = []
        while True:
            first, body = self.read()
            if first == PINGRESP:
                return found
            if first & 0xF0 == PUBLISH:
                found.append(self._message(first, body))
            elif first == SUBACK:
                self.granted += body[2:]

    def is_open(self) -> bool:
        try:
            self.heard()
        except OSError:
            return False
        return True

    def _message(self, first: int, body: bytes) -> Message:
        end = 2 + int.from_bytes(body[:2], "big")
        start = end
        if first & 0x06:
            start += 2
            self.send(packet(PUBACK, body[end:start]))
        return Message(body[2:end], body[start:], bool(first & 1))

    def _exactly(self, count: int) -> bytes:
        got = bytearray()
        while len(got) < count:
            part = self._sock.recv(count - len(got))
            if not part:
                raise ConnectionResetError("the broker closed the connection")
            got += part
        return bytes(got)
