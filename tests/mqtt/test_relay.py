"""Goal: a relay hands on every byte, sees what boards say, and cuts a line as dead air would.

Method: real sockets on the loopback address; the far end is played by the test.
"""

import socket
from collections.abc import Iterator
from contextlib import suppress

import pytest

from haunt.mqtt.relay import Relay, RelayRefused
from haunt.wire.packets import Message, SignIn, Will, connect, packet, publish
from tests.system.house import until

PATIENCE_S = 10
GATE = SignIn("gate", "gate", clean_session=True, keepalive_s=10, will=Will("t", b"{}", 1, True))


@pytest.fixture
def broker() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as made:
        made.settimeout(PATIENCE_S)
        yield made


@pytest.fixture
def relay(broker: socket.socket) -> Iterator[Relay]:
    made = Relay("127.0.0.1", 0, ("127.0.0.1", broker.getsockname()[1]))
    made.start()
    yield made
    made.stop()


def board(relay: Relay) -> socket.socket:
    return socket.create_connection(("127.0.0.1", relay.port), PATIENCE_S)


def read(line: socket.socket, size: int) -> bytes:
    out = b""
    while len(out) < size and (more := line.recv(size - len(out))):
        out += more
    return out


def accepted(broker: socket.socket) -> socket.socket:
    line = broker.accept()[0]
    line.settimeout(PATIENCE_S)
    return line


def test_bytes_go_both_ways_unchanged(relay: Relay, broker: socket.socket) -> None:
    sign_in, said = connect(GATE, "pw"), publish(Message("haunt/yard/gate/health", b"x" * 2000))
    answer = packet(2, 0, b"\0\0")
    with board(relay) as near:
        near.sendall(sign_in + said)
        with accepted(broker) as far:
            assert read(far, len(sign_in + said)) == sign_in + said
            far.sendall(answer)
            assert read(near, len(answer)) == answer


def test_it_sees_sign_ins_and_messages_by_board(relay: Relay, broker: socket.socket) -> None:
    message = Message("haunt/yard/gate/presence", b"{}", 1, True, 9)
    with board(relay) as near:
        near.sendall(connect(GATE, "pw") + publish(message))
        with accepted(broker):
            until(lambda: relay.said("gate"), "the message to be seen")

    assert relay.sign_ins("gate") == (GATE,)
    assert relay.said("gate") == (message,)
    assert not relay.sign_ins("cellar")
    assert not relay.said("cellar")


def test_a_cut_ends_the_line_without_a_goodbye_and_keeps_it_out(
    relay: Relay, broker: socket.socket
) -> None:
    with board(relay) as near:
        near.sendall(connect(GATE, "pw"))
        with accepted(broker) as far:
            until(lambda: relay.sign_ins("gate"), "the sign-in to be seen")
            assert read(far, len(connect(GATE, "pw")))
            relay.cut("gate")
            assert near.recv(1) == b""
            assert far.recv(1) == b""
    with board(relay) as again:
        again.sendall(connect(GATE, "pw"))
        assert again.recv(1) == b""
    assert len(relay.sign_ins("gate")) == 1

    relay.let_back("gate")

    with board(relay) as back:
        back.sendall(connect(GATE, "pw"))
        with accepted(broker):
            until(lambda: len(relay.sign_ins("gate")) == 2, "it to be back")


def test_others_stay_when_one_is_cut(relay: Relay, broker: socket.socket) -> None:
    other = GATE._replace(client_id="cellar", username="cellar")
    with board(relay) as near:
        near.sendall(connect(other, "pw"))
        with accepted(broker) as far:
            assert read(far, len(connect(other, "pw")))
            relay.cut("gate")
            far.sendall(b"\xd0\0")
            assert read(near, 2) == b"\xd0\0"


def test_what_is_no_mqtt_is_turned_away(relay: Relay) -> None:
    with board(relay) as near:
        near.sendall(b"GET / HTTP/1.1\r\n\r\n" + b"x" * 5000)
        with suppress(ConnectionResetError):  # what was not read yet makes the end a hard one
            assert near.recv(1) == b""


def test_a_dead_broker_ends_the_boards_line(relay: Relay, broker: socket.socket) -> None:
    broker.close()
    with board(relay) as near:
        near.sendall(connect(GATE, "pw"))
        assert near.recv(1) == b""


def test_a_taken_port_is_refused_by_name(broker: socket.socket) -> None:
    port = broker.getsockname()[1]

    with pytest.raises(RelayRefused, match=f"127.0.0.1:{port}"):
        Relay("127.0.0.1", port, ("127.0.0.1", 1))
