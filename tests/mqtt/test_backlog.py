"""Goal: what a broker keeps for whoever comes is known before thousands that waited are judged.

Method: the test plays a broker that sends a backlog, the confirmation, and then a retained message.
"""

import struct

from haunt.live.ports import Arrival, LinkState
from haunt.mqtt.client import HELD_MAX, Pace
from tests.fakes.mqtt_line import PUBLISH, SUBSCRIBE, FakeBroker, FakeLine, Inbox
from tests.mqtt.rig import ROOT, account, running

MOTION, STOP = f"{ROOT}/gate/motion", f"{ROOT}/all/stop"
PATIENT = Pace(retry_min_ms=20, retry_max_ms=100)


def packets(topic: str, count: int) -> bytes:
    """Return messages of QoS 1, numbered from 1 on."""
    name = struct.pack(">H", len(topic)) + topic.encode()
    bodies = (name + struct.pack(">H", mid) + b"%d" % mid for mid in range(1, count + 1))
    return b"".join(bytes([PUBLISH | 2, len(body)]) + body for body in bodies)


def kept_stop(line: FakeLine) -> None:
    body = struct.pack(">H", len(STOP)) + STOP.encode() + b"stop"
    line._sock.sendall(bytes([PUBLISH | 1, len(body)]) + body)


def test_a_kept_stop_overtakes_the_backlog_and_a_full_hold_has_room_for_it() -> None:
    inbox, backlog = Inbox(), HELD_MAX + 5
    waited = packets(MOTION, backlog)  # before the line is there: it does not wait for long
    with (
        FakeBroker() as broker,
        running(account(broker.port), inbox.deliver, pace=PATIENT) as client,
        broker.accept() as line,
    ):
        line.connack(session_present=True)
        asked = line.expect(SUBSCRIBE)
        line._sock.sendall(waited)
        line.suback(asked)
        kept_stop(line)
        came = [inbox.next() for _ in range(HELD_MAX + 2)]

        assert isinstance(came[0], LinkState)
        arrivals = [each for each in came if isinstance(each, Arrival)]
        place = next(at for at, each in enumerate(arrivals) if each.topic == STOP)
        assert place < HELD_MAX // 10
        motions = [int(each.payload) for each in arrivals if each.topic == MOTION]
        assert motions == list(range(1, HELD_MAX + 1)), "in their order"
        assert client.statistics().dropped == backlog - HELD_MAX


def test_what_is_kept_and_came_before_the_confirmation_is_told_first() -> None:
    inbox = Inbox()
    with (
        FakeBroker() as broker,
        running(account(broker.port), inbox.deliver, pace=PATIENT),
        broker.accept() as line,
    ):
        line.connack(session_present=True)
        asked = line.expect(SUBSCRIBE)
        line.publish(MOTION, b"waited", 7)
        kept_stop(line)
        line.suback(asked)

        assert isinstance(inbox.next(), LinkState)
        assert inbox.arrival().topic == STOP
        assert inbox.arrival().payload == b"waited"
