"""A broker played by the test itself, packet by packet: it says and hears what the test wants."""

import socket
import struct
from queue import SimpleQueue
from typing import NamedTuple, Self

from haunt.live.ports import Arrival, LinkState

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, DISCONNECT = 0x10, 0x20, 0x30, 0x40, 0x80, 0xE0
PATIENCE_S = 30.0


class Packet(NamedTuple):
    kind: int
    flags: int
    body: bytes


class FakeBroker:
    """Listens on a free port; the test accepts each connection when it likes."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(PATIENCE_S)
        self.port: int = self._listener.getsockname()[1]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()

    def accept(self) -> "FakeLine":
        """Take the next connection and its CONNECT."""
        line = FakeLine(self._listener.accept()[0])
        line.expect(CONNECT)
        return line

    def welcome(self, *, session_present: bool = False) -> "FakeLine":
        """Take the next connection as far as confirmed subscriptions."""
        line = self.accept()
        line.connack(session_present=session_present)
        line.suback(line.expect(SUBSCRIBE))
        return line


class FakeLine:
    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self._sock.settimeout(PATIENCE_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._sock.close()

    def expect(self, kind: int) -> Packet:
        """Read on to the next packet of this kind."""
        while True:
            found = self.read()
            if found.kind == kind:
                return found

    def published(self, topic: str) -> bytes:
        """Read on to the next message on this topic; return all that follows the topic."""
        name = struct.pack(">H", len(topic)) + topic.encode()
        while True:
            body = self.expect(PUBLISH).body
            if body.startswith(name):
                return body[len(name) :]

    def read(self) -> Packet:
        first = self._exactly(1)[0]
        length = shift = 0
        while True:
            byte = self._exactly(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                break
        return Packet(first & 0xF0, first & 0x0F, self._exactly(length))

    def connack(self, *, session_present: bool = False, code: int = 0) -> None:
        self._sock.sendall(bytes([CONNACK, 2, session_present, code]))

    def suback(self, subscribe: Packet, *, refuse: int | None = None) -> None:
        """Grant what was asked for; `refuse` is the index of one that is not."""
        codes = bytearray()
        at = 2
        while at < len(subscribe.body):
            (length,) = struct.unpack_from(">H", subscribe.body, at)
            at += 2 + length
            codes.append(0x80 if len(codes) == refuse else subscribe.body[at])
            at += 1
        self._sock.sendall(bytes([0x90, 2 + len(codes)]) + subscribe.body[:2] + codes)

    def publish(self, topic: str, payload: bytes, mid: int | None = None) -> None:
        """QoS 1 where there is a message id."""
        self.publish_raw(topic.encode(), payload, mid)

    def publish_raw(self, name: bytes, payload: bytes, mid: int | None = None) -> None:
        """Send any bytes for a topic."""
        body = struct.pack(">H", len(name)) + name
        if mid is not None:
            body += struct.pack(">H", mid)
        body += payload
        assert len(body) < 0x80
        self._sock.sendall(bytes([PUBLISH | (2 if mid is not None else 0), len(body)]) + body)

    def reset(self) -> None:
        """Cut the line as a killed machine does: the other end's next write fails."""
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._sock.close()

    def _exactly(self, count: int) -> bytes:
        got = bytearray()
        while len(got) < count:
            part = self._sock.recv(count - len(got))
            if not part:
                raise EOFError("the client closed the line")
            got += part
        return bytes(got)


def acknowledged(packet: Packet) -> int:
    """Return the message id that a PUBACK names."""
    (mid,) = struct.unpack(">H", packet.body)
    return int(mid)


class Inbox:
    """What `deliver` puts into: a test waits for what comes; it refuses or raises as told."""

    def __init__(self) -> None:
        self._came: SimpleQueue[Arrival | LinkState] = SimpleQueue()
        self.refusing = False
        self.fault: Exception | None = None
        self.turned_away: SimpleQueue[Arrival | LinkState] = SimpleQueue()

    def deliver(self, what: Arrival | LinkState) -> bool:
        if self.fault is not None or self.refusing:
            self.turned_away.put(what)
        if self.fault is not None:
            raise self.fault
        if not self.refusing:
            self._came.put(what)
        return not self.refusing

    def next(self) -> Arrival | LinkState:
        return self._came.get(timeout=PATIENCE_S)

    def state(self) -> bool:
        """Read on to the next word about the link: whether it is up."""
        while True:
            found = self.next()
            if isinstance(found, LinkState):
                return found.up

    def arrival(self) -> Arrival:
        """Read on to the next message."""
        while True:
            found = self.next()
            if isinstance(found, Arrival):
                return found
