"""Goal: nothing that a broker, a message or a full queue does can end the link unnoticed.

Method: the test plays the broker packet by packet on a real socket; the client's pump runs in its
own thread, and the test waits for the packets and for what is delivered, never for time.
"""

import os
import resource
import threading
from collections.abc import Iterator

import pytest

from haunt.bootstrap.clock import SystemClock
from haunt.live.ports import Arrival, LinkState
from haunt.mqtt.client import Account, BrokerClient, Pace
from tests.fakes.mqtt_line import (
    DISCONNECT,
    PATIENCE_S,
    PUBACK,
    SUBSCRIBE,
    FakeBroker,
    Inbox,
    acknowledged,
)
from tests.mqtt.rig import PING, ROOT, WANTED, account, running

MOTION = f"{ROOT}/gate/motion"
CUE = f"{ROOT}/gate/cue"
PATIENT = Pace(retry_min_ms=20, retry_max_ms=100)


@pytest.fixture
def broker() -> Iterator[FakeBroker]:
    with FakeBroker() as found:
        yield found


def test_what_came_before_the_confirmation_is_told_after_the_link(broker: FakeBroker) -> None:
    """A kept session sends at once what waited; judged without a link it would be refused."""
    inbox = Inbox()
    with (
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.accept() as line,
    ):
        line.connack(session_present=True)
        asked = line.expect(SUBSCRIBE)
        line.publish(MOTION, b"waited", 7)
        assert not client.publish(CUE, b"early", qos=1, retain=False)
        line.suback(asked)

        first = inbox.next()
        assert isinstance(first, LinkState)
        assert first.up
        waited = inbox.arrival()
        assert waited.payload == b"waited"
        assert waited.receipt is not None
        client.acknowledge(waited.receipt)
        assert acknowledged(line.expect(PUBACK)) == 7
        assert client.publish(CUE, b"now", qos=1, retain=False)
        assert line.published(CUE).endswith(b"now")


def test_a_refused_subscription_closes_the_line_and_is_named(broker: FakeBroker) -> None:
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver) as client:
        with broker.accept() as line:
            line.connack()
            line.suback(line.expect(SUBSCRIBE), refuse=1)
            with pytest.raises(EOFError):
                line.published(CUE)
        with broker.welcome():
            assert inbox.state()
            found = client.statistics()
    assert found.connections == 1
    assert f"refused to subscribe {ROOT}/+/health" in found.last_error


def test_a_refused_sign_in_is_tried_again_and_named(broker: FakeBroker) -> None:
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver) as client:
        with broker.accept() as line:
            line.connack(code=5)
            with pytest.raises(EOFError):
                line.read()
        with broker.accept():
            said = client.statistics().last_error
    assert "refused to sign in yard-controller: Not authorized" in said


def test_an_acknowledgement_names_its_message_in_any_order(broker: FakeBroker) -> None:
    inbox = Inbox()
    with (
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.welcome() as line,
    ):
        line.publish(f"{ROOT}/gate/health", b"no receipt")
        line.publish(MOTION, b"first", 11)
        line.publish(MOTION, b"second", 12)
        assert inbox.arrival().receipt is None
        first, second = inbox.arrival().receipt, inbox.arrival().receipt
        assert first is not None
        assert second is not None
        client.acknowledge(second)
        assert acknowledged(line.expect(PUBACK)) == 12
        client.acknowledge(first)
        assert acknowledged(line.expect(PUBACK)) == 11


def test_a_receipt_of_an_earlier_line_acknowledges_nothing_on_the_next(broker: FakeBroker) -> None:
    """The same message id names another message by then: acknowledging it would lose that."""
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver, pace=PATIENT) as client:
        with broker.welcome() as line:
            line.publish(MOTION, b"before", 1)
            old = inbox.arrival().receipt
            line.reset()
        with broker.welcome(session_present=True) as line:
            line.publish(MOTION, b"other", 1)
            line.publish(MOTION, b"after", 2)
            assert inbox.arrival().payload == b"other"
            new = inbox.arrival().receipt
            assert old is not None
            assert new is not None
            client.acknowledge(old)
            client.acknowledge(new)
            assert acknowledged(line.expect(PUBACK)) == 2
    assert client.statistics().stale_receipts == 1


def test_nothing_of_a_lost_line_is_sent_on_the_next(broker: FakeBroker) -> None:
    """A cue that waited out an outage would fire at nobody."""
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver, pace=PATIENT) as client:
        with broker.welcome() as line:
            assert inbox.state()
            assert client.publish(CUE, b"unconfirmed", qos=1, retain=False)
            line.published(CUE)
            line.reset()
        with broker.welcome(session_present=True) as line:
            assert not inbox.state()
            assert inbox.state()
            assert client.publish(CUE, b"fresh", qos=1, retain=False)
            assert line.published(CUE).endswith(b"fresh")


def test_what_a_full_queue_refuses_is_acknowledged_and_counted(broker: FakeBroker) -> None:
    inbox = Inbox()
    with (
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.welcome() as line,
    ):
        assert inbox.state()
        inbox.refusing = True
        line.publish(MOTION, b"no room", 5)
        assert acknowledged(line.expect(PUBACK)) == 5
        inbox.refusing = False
        line.publish(MOTION, b"room", 6)
        assert inbox.arrival().payload == b"room"
        assert client.statistics().dropped == 1


def test_a_loss_that_found_no_room_is_told_later(broker: FakeBroker) -> None:
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver):
        with broker.welcome() as line:
            assert inbox.state()
            inbox.refusing = True
            line.reset()
        refused = inbox.turned_away.get(timeout=PATIENCE_S)
        inbox.refusing = False
        assert isinstance(refused, LinkState)
        assert not inbox.state()
        with broker.welcome():
            assert inbox.state()


def test_a_topic_that_is_no_text_is_dropped_and_counted(broker: FakeBroker) -> None:
    inbox = Inbox()
    with (
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.welcome() as line,
    ):
        line.publish_raw(b"\xff\xfe", b"?", 5)
        assert acknowledged(line.expect(PUBACK)) == 5
        line.publish(MOTION, b"good", 6)
        assert inbox.arrival().payload == b"good"
        assert client.statistics().callback_errors == 1


def test_a_line_that_breaks_while_a_message_is_answered_does_not_hang_the_pump(
    broker: FakeBroker,
) -> None:
    """A motion is judged, and its cue written, inside the client's own callback."""
    inbox = Inbox()
    asked, cut = threading.Event(), threading.Event()

    def deliver(what: Arrival | LinkState) -> bool:
        if isinstance(what, Arrival):
            asked.set()
            assert cut.wait(PATIENCE_S)
            while client.publish(CUE, b"x", qos=1, retain=False):
                pass
        return inbox.deliver(what)

    with running(account(broker.port), deliver, pace=PATIENT) as client:
        with broker.welcome() as line:
            line.publish(MOTION, b"{}", 7)
            assert asked.wait(PATIENCE_S)
            line.reset()
            cut.set()
        assert inbox.state()
        assert not inbox.state()
        with broker.welcome():
            assert inbox.state()


def test_a_line_that_breaks_under_another_thread_is_noticed_at_once(broker: FakeBroker) -> None:
    """Pings and patience of a minute: neither of them is what tells."""
    inbox = Inbox()
    slow = Pace(ping_ms=60_000, dead_ms=60_000, retry_min_ms=20, retry_max_ms=100)
    with running(account(broker.port), inbox.deliver, pace=slow) as client:
        with broker.welcome() as line:
            assert inbox.state()
            line.reset()
        while client.publish(CUE, b"x", qos=0, retain=False):
            pass
        assert not inbox.state()
        with broker.welcome():
            assert inbox.state()


def test_many_threads_may_write_at_once_and_every_packet_arrives_whole(broker: FakeBroker) -> None:
    inbox, each, writers = Inbox(), 200, 4
    with (
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.welcome() as line,
    ):
        assert inbox.state()
        sent: list[bool] = []

        def write(name: int) -> None:
            sent.extend(
                client.publish(CUE, b"%d-%d|" % (name, n) * 20, qos=0, retain=False)
                for n in range(each)
            )

        threads = [threading.Thread(target=write, args=(n,)) for n in range(writers)]
        for thread in threads:
            thread.start()
        seen: set[bytes] = set()
        while len(seen) < each * writers:
            text = line.published(CUE)
            word = text.split(b"|", 1)[0]
            assert text == (word + b"|") * 20
            seen.add(word)
        for thread in threads:
            thread.join()
        assert sent == [True] * each * writers


def test_more_than_a_socket_holds_is_written_when_it_drains(broker: FakeBroker) -> None:
    inbox, count, payload = Inbox(), 900, b"x" * 8000
    with (
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.welcome() as line,
    ):
        assert inbox.state()
        sent = [client.publish(CUE, payload, qos=1, retain=False) for _ in range(count)]
        got = [line.published(CUE).endswith(payload) for _ in range(count)]
    assert all(sent)
    assert all(got)


def test_an_unconfirmed_thousand_is_the_bound(broker: FakeBroker) -> None:
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver, pace=PATIENT) as client, broker.welcome():
        assert inbox.state()
        sent = [client.publish(CUE, b"x", qos=1, retain=False) for _ in range(1001)]
        assert sent == [True] * 1000 + [False]
        assert client.statistics().refused_publishes == 1


def test_a_silent_broker_is_left_for_a_new_line(broker: FakeBroker) -> None:
    """It accepts every byte and says nothing: only our own clock can tell."""
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver), broker.welcome(), broker.welcome():
        assert inbox.state()
        assert not inbox.state()
        assert inbox.state()


def test_a_ping_that_comes_back_is_timed_and_not_delivered(broker: FakeBroker) -> None:
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver) as client, broker.welcome() as line:
        assert inbox.state()
        line.publish(PING, line.published(PING))
        line.publish(MOTION, b"next", 3)
        assert inbox.next().__class__ is Arrival
        assert client.statistics().last_ping_ms >= 0


def test_stopping_says_goodbye(broker: FakeBroker) -> None:
    """Without it the broker would hold the line for a keepalive and a half."""
    inbox = Inbox()
    with running(account(broker.port), inbox.deliver, pace=PATIENT):
        line = broker.welcome()
        assert inbox.state()
    with line:
        line.expect(DISCONNECT)
    assert not inbox.state()


def test_a_line_opens_where_a_thousand_files_are_open(broker: FakeBroker) -> None:
    """Every phone's stream is an open file, and `select` knows none beyond 1023."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 4096 if hard == resource.RLIM_INFINITY else min(hard, 4096)
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, wanted), hard))
    taken = [os.open(os.devnull, os.O_RDONLY) for _ in range(1100)]
    inbox = Inbox()
    try:
        with running(account(broker.port), inbox.deliver), broker.welcome():
            assert inbox.state()
    finally:
        for each in taken:
            os.close(each)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_pauses_between_attempts_grow_to_a_bound_and_differ_by_seed() -> None:
    def pauses(seed: int) -> list[int]:
        made = BrokerClient(account(1), WANTED, PING, SystemClock(0), lambda _: True, seed=seed)
        found = [made.pause_ms(attempt) for attempt in range(8)]
        made.stop()
        return found

    for attempt, pause in enumerate(pauses(1)):
        whole = min(5000, 200 << attempt)
        assert whole // 2 <= pause <= whole
    assert pauses(1) == pauses(1)
    assert pauses(1) != pauses(2)


def test_a_kept_session_without_a_name_is_refused_at_once() -> None:
    with pytest.raises(ValueError, match="client id or a username"):
        BrokerClient(Account("127.0.0.1", 1), WANTED, PING, SystemClock(0), lambda _: True)
