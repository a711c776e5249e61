"""Goal: the controller's connection tells the truth about itself and loses nothing it owes.

Method: real Mosquitto, killed, restarted and frozen; a scripted peer where the broker must be slow.
"""

import signal
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from haunt.live.ports import Arrival, LinkState, Receipt
from haunt.mqtt.client import Account, BrokerClient
from tests.mqtt.stage import (
    DEADLINE_S,
    HOST,
    MOSQUITTO,
    QUICK,
    TOPICS,
    Board,
    Garden,
    Heard,
    free_port,
    until,
)

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]

CONNACK = b"\x20\x02\x00\x00"
STOP_MAX_S = 2.0


class SlowBroker:
    """A peer that speaks just enough MQTT, and only when the test says so."""

    def __init__(self, listener: socket.socket) -> None:
        self._listener = listener
        self._line: socket.socket | None = None
        self.port: int = listener.getsockname()[1]

    def accept(self) -> None:
        self._listener.settimeout(DEADLINE_S)
        self._line, _ = self._listener.accept()
        self._line.settimeout(DEADLINE_S)
        assert self.packet()[0] >> 4 == 1  # CONNECT

    def packet(self) -> bytes:
        """One whole packet; all here are shorter than 128 bytes but for the subscription."""
        head = self._exactly(2)
        length = head[1] & 0x7F
        if head[1] & 0x80:
            more = self._exactly(1)
            head += more
            length += more[0] << 7
        return head + self._exactly(length)

    def subscription(self) -> bytes:
        """Return the packet id of the SUBSCRIBE that comes next."""
        packet = self.packet()
        assert packet[0] >> 4 == 8
        start = 3 if packet[1] & 0x80 else 2
        return packet[start : start + 2]

    def answer(self, subscription: bytes, code: int) -> None:
        """Say the same of every topic."""
        wanted = len(TOPICS.controller_subscriptions()) + 1
        self.say(bytes([0x90, 2 + wanted]) + subscription + bytes([code] * wanted))

    def say(self, packet: bytes) -> None:
        assert self._line is not None
        self._line.sendall(packet)

    def close(self) -> None:
        if self._line is not None:
            self._line.close()

    def _exactly(self, count: int) -> bytes:
        assert self._line is not None
        found = b""
        while len(found) < count:
            more = self._line.recv(count - len(found))
            assert more, "the client hung up"
            found += more
        return found


@contextmanager
def slow_broker() -> Iterator[SlowBroker]:
    with socket.create_server((HOST, 0)) as listener:
        peer = SlowBroker(listener)
        try:
            yield peer
        finally:
            peer.close()


def sentinel(client: BrokerClient, board: Board) -> None:
    """All that the client wrote before has reached the broker once the board hears this."""
    assert client.publish(TOPICS.cue("b1"), b"sentinel", qos=1, retain=False)
    assert board.next() == (TOPICS.cue("b1"), b"sentinel")


def test_the_link_is_up_only_once_the_broker_confirmed_the_subscriptions(idle: Garden) -> None:
    heard = Heard()
    with slow_broker() as peer:
        client = idle.client(heard, port=peer.port)
        client.start()
        peer.accept()
        peer.say(CONNACK)
        wanted = peer.subscription()  # the client has read the CONNACK: it subscribes

        assert heard.links.empty()
        assert not client.statistics().connected
        assert not client.publish(TOPICS.cue("b1"), b"x", qos=1, retain=False)

        peer.answer(wanted, 0)
        heard.link(up=True)
        assert client.statistics().connected
        client.stop()


def test_a_refused_subscription_is_said_and_the_link_stays_down(idle: Garden) -> None:
    heard = Heard()
    with slow_broker() as peer:
        client = idle.client(heard, port=peer.port)
        client.start()
        peer.accept()
        peer.say(CONNACK)
        peer.answer(peer.subscription(), 0x80)
        until(lambda: "subscri" in client.statistics().last_error, "the refusal to be said")

        assert heard.links.empty()
        client.stop()


def test_a_refused_sign_in_is_said_and_tried_again(garden: Garden) -> None:
    heard = Heard()
    client = garden.client(heard)
    client._account = Account(HOST, garden.kept.port, garden.credentials.controller, "wrong")
    client.start()

    until(lambda: "refused" in client.statistics().last_error, "the refusal to be said")
    assert "uthorized" in client.statistics().last_error
    assert heard.links.empty()
    assert client.statistics().pump_alive


def test_what_a_board_says_the_moment_the_link_is_up_arrives_with_a_receipt(
    garden: Garden,
) -> None:
    board, heard = garden.board("b1"), Heard()
    client = garden.connected(heard)

    board.publish(TOPICS.motion("b1"), b'{"seq":1}')

    arrival = heard.arrival()
    assert (arrival.topic, arrival.payload, arrival.retain) == (
        TOPICS.motion("b1"),
        b'{"seq":1}',
        False,
    )
    assert arrival.receipt is not None
    assert arrival.receipt.connection == client.statistics().connections


def test_a_health_report_needs_no_receipt(garden: Garden) -> None:
    board, heard = garden.board("b1"), Heard()
    garden.connected(heard)

    board.publish(TOPICS.health("b1"))

    assert heard.arrival().receipt is None


def test_an_unacknowledged_motion_comes_again_and_an_acknowledged_one_does_not(
    garden: Garden,
) -> None:
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))
    heard = Heard()
    first = garden.connected(heard)
    board.publish(TOPICS.motion("b1"), b"one")
    board.publish(TOPICS.motion("b1"), b"two")
    one, two = heard.arrival(), heard.arrival()
    assert (one.payload, two.payload) == (b"one", b"two")
    assert one.receipt is not None
    first.acknowledge(one.receipt)
    sentinel(first, board)
    first.stop()

    again = Heard()
    second = garden.connected(again)
    repeated = again.arrival()
    assert repeated.payload == b"two"
    assert repeated.receipt is not None
    second.acknowledge(repeated.receipt)
    sentinel(second, board)
    second.stop()

    last = Heard()
    garden.connected(last)
    board.publish(TOPICS.motion("b1"), b"three")
    assert last.arrival().payload == b"three"


def test_a_motion_sent_while_the_controller_is_away_waits_for_it(garden: Garden) -> None:
    board, heard = garden.board("b1"), Heard()
    garden.connected(heard)
    for client in garden._clients:
        client.stop()
    heard.link(up=False)
    board.publish(TOPICS.motion("b1"), b"while away")

    again = Heard()
    garden.connected(again)

    assert again.arrival().payload == b"while away"


def test_the_link_goes_down_and_up_with_the_broker_and_messages_flow_again(
    garden: Garden,
) -> None:
    heard = Heard()
    client = garden.connected(heard)
    garden.board("b1").publish(TOPICS.motion("b1"), b"before")
    assert heard.arrival().payload == b"before"

    garden.signal(signal.SIGKILL)

    heard.link(up=False)
    heard.link(up=True)
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))
    sentinel(client, board)
    board.publish(TOPICS.motion("b1"), b"after")
    payloads = {heard.arrival().payload}
    if b"after" not in payloads:  # unacknowledged, so it came again first
        payloads.add(heard.arrival().payload)
    assert b"after" in payloads
    assert client.statistics().connections == 2


def test_a_receipt_of_an_earlier_connection_is_dropped_and_counted(garden: Garden) -> None:
    heard = Heard()
    client = garden.connected(heard)
    garden.board("b1").publish(TOPICS.motion("b1"), b"one")
    old = heard.arrival().receipt
    assert old is not None
    garden.signal(signal.SIGKILL)
    heard.link(up=False)
    heard.link(up=True)

    client.acknowledge(old)

    assert client.statistics().stale_receipts == 1
    # Not taken for a message of this connection: the next new motion can still be acknowledged.
    board = garden.board("b1").subscribe(TOPICS.cue("b1"))
    board.publish(TOPICS.motion("b1"), b"new")
    fresh = heard.arrival()
    while fresh.payload != b"new":
        fresh = heard.arrival()
    assert fresh.receipt is not None
    assert fresh.receipt.connection != old.connection
    client.acknowledge(fresh.receipt)
    sentinel(client, board)
    assert client.statistics().stale_receipts == 1


@pytest.mark.parametrize("answer", [False, RuntimeError("full of ghosts")])
def test_what_nobody_takes_is_counted_and_the_link_lives(
    garden: Garden, answer: bool | Exception
) -> None:
    board, heard = garden.board("b1").subscribe(TOPICS.cue("b1")), Heard()
    client = garden.connected(heard)
    heard.answer = answer
    board.publish(TOPICS.motion("b1"), b"dropped")
    assert heard.arrival().payload == b"dropped"
    heard.answer = True
    board.publish(TOPICS.motion("b1"), b"taken")
    assert heard.arrival().payload == b"taken"

    sentinel(client, board)
    found = client.statistics()
    assert (found.dropped, found.pump_alive, found.connected) == (1, True, True)
    assert found.callback_errors == (1 if isinstance(answer, Exception) else 0)
    assert ("full of ghosts" in found.last_error) == isinstance(answer, Exception)
    client.stop()

    # The dropped one was acknowledged: only the taken one, which was not, comes again.
    again = Heard()
    garden.connected(again)
    assert again.arrival().payload == b"taken"


def test_a_listener_that_raises_at_the_links_own_news_does_not_end_the_pump(
    garden: Garden,
) -> None:
    heard = Heard()

    def deliver(what: object) -> bool:
        heard(what)  # type: ignore[arg-type]
        raise RuntimeError("full of ghosts")

    client = garden.client(deliver)
    client.start()
    heard.link(up=True)

    garden.board("b1").publish(TOPICS.motion("b1"), b"on")
    assert heard.arrival().payload == b"on"
    assert client.statistics().pump_alive


def test_not_even_its_threads_own_end_ends_the_pump_and_the_message_comes_again(
    garden: Garden,
) -> None:
    heard, ends = Heard(), [SystemExit(1)]

    def deliver(what: Arrival | LinkState) -> bool:
        if isinstance(what, Arrival) and ends:
            raise ends.pop()
        return heard(what)

    client = garden.client(deliver)
    client.start()
    heard.link(up=True)
    garden.board("b1").publish(TOPICS.motion("b1"), b"on")

    heard.link(up=False)
    heard.link(up=True)
    assert heard.arrival().payload == b"on"
    found = client.statistics()
    assert (found.callback_errors, found.last_error, found.pump_alive) == (1, "SystemExit: 1", True)


def test_a_frozen_broker_is_noticed_and_forgiven(garden: Garden) -> None:
    heard = Heard()
    client = garden.connected(heard)

    garden.signal(signal.SIGSTOP)
    began = time.monotonic()
    heard.link(up=False)
    took_s = time.monotonic() - began

    print(f"noticed after {took_s:.2f} s")
    assert took_s < 3 * QUICK.dead_ms / 1000
    until(lambda: client.silent_ms() > 2 * QUICK.dead_ms, "the silence to go on between lines")
    garden.signal(signal.SIGCONT)
    heard.link(up=True)
    assert client.silent_ms() < QUICK.dead_ms


def test_a_quiet_night_does_not_look_like_a_dead_broker(garden: Garden) -> None:
    heard = Heard()
    client = garden.connected(heard)
    quiet_since_ms = client.statistics().last_in_ms

    until(
        lambda: client.statistics().last_in_ms - quiet_since_ms > 2 * QUICK.dead_ms,
        "twice the patience to pass with pings alone",
    )

    assert heard.links.empty()
    assert heard.arrivals.empty()
    assert client.statistics().connections == 1


def test_without_a_link_nothing_is_published_and_it_is_counted(idle: Garden) -> None:
    client = idle.client(Heard(), port=free_port())
    client.start()

    assert not client.publish(TOPICS.cue("b1"), b"x", qos=1, retain=False)
    client.acknowledge(Receipt(1, 1))

    found = client.statistics()
    assert (found.refused_publishes, found.stale_receipts, found.connected) == (1, 1, False)


def test_what_was_refused_without_a_link_is_never_sent_later(garden: Garden) -> None:
    board, heard = garden.board("b1").subscribe(TOPICS.cue("b1")), Heard()
    client = garden.client(heard)
    assert not client.publish(TOPICS.cue("b1"), b"late", qos=1, retain=False)

    client.start()
    heard.link(up=True)

    sentinel(client, board)


def test_a_connected_client_stops_soon_and_says_so(garden: Garden) -> None:
    heard = Heard()
    client = garden.connected(heard)

    assert stopping_s(client) < STOP_MAX_S
    heard.link(up=False)
    assert not client.statistics().pump_alive
    assert not client.publish(TOPICS.cue("b1"), b"x", qos=1, retain=False)


def test_a_client_without_a_broker_stops_soon(idle: Garden) -> None:
    client = idle.client(Heard(), port=free_port())
    client.start()
    until(lambda: client.statistics().last_error != "", "the first attempt to fail")

    assert stopping_s(client) < STOP_MAX_S
    assert not client.statistics().pump_alive


def test_a_client_at_a_broker_that_says_nothing_stops_soon(idle: Garden) -> None:
    with slow_broker() as peer:
        client = idle.client(Heard(), port=peer.port)
        client.start()
        peer.accept()

        assert stopping_s(client) < STOP_MAX_S
        assert not client.statistics().pump_alive


def stopping_s(client: BrokerClient) -> float:
    began = time.monotonic()
    client.stop()
    return time.monotonic() - began
