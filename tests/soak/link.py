"""The controller's link cut, swallowed, halved, and its broker frozen: noticed, said, mended.

With the pace of a night (HAUNT_LONG=1) the bound is ten seconds to notice and fifteen to come back;
else the pace is quickened, and the bounds with it.
"""

import os
import time
from pathlib import Path

from haunt.core.dice import draw
from haunt.mqtt.client import BrokerClient, Pace
from tests.fakes.mqtt_line import Inbox
from tests.mqtt.rig import QUICK, ROOT, Mosquitto, Peer, account, running, until
from tests.soak.outcome import Outcome
from tests.soak.proxy import PASS, SWALLOW, SWALLOW_BACK, Proxy

KINDS = ("cut", SWALLOW, SWALLOW_BACK, "frozen", "listener raises")
MOTION = f"{ROOT}/gate/motion"
SLACK_MS = 2000  # a busy machine, and the pump's own turns


def run(count: int, seed: int, folder: Path) -> Outcome:
    outcome, pace = Outcome(), Pace() if os.environ.get("HAUNT_LONG") else QUICK
    notice_ms = pace.dead_ms + pace.ping_ms + SLACK_MS
    back_ms = pace.retry_max_ms + pace.connect_timeout_ms + SLACK_MS
    inbox = Inbox()
    with (
        Mosquitto(folder) as broker,
        Proxy(broker.port) as proxy,
        running(account(proxy.port), inbox.deliver, pace=pace) as client,
    ):
        assert inbox.state()
        for number in range(count):
            kind = KINDS[number % len(KINDS)]
            time.sleep(draw(seed, f"link {number}", pace.ping_ms) / 1000)
            _strike(kind, broker, proxy, client, outcome)
            if kind == "listener raises":
                continue
            _timed("noticed", kind, lambda: not client.statistics().connected, notice_ms, outcome)
            proxy.mode = PASS
            broker.thaw()
            proxy.cut()  # what was swallowed cannot be given back
            _timed("back", kind, lambda: client.statistics().connected, back_ms, outcome)
            _speaks(broker, inbox, kind, number, outcome)
        statistics = client.statistics()
        outcome.expect(statistics.pump_alive, "the pump died")
        outcome.noted["connections"] = statistics.connections
    return outcome


def _strike(
    kind: str, broker: Mosquitto, proxy: Proxy, client: BrokerClient, outcome: Outcome
) -> None:
    outcome.injected[kind] += 1
    if kind == "cut":
        proxy.cut()
    elif kind == "frozen":
        broker.freeze()
    elif kind == "listener raises":
        before = client.statistics().callback_errors
        with Peer(broker.port, "stranger") as stranger:
            stranger.publish(f"{ROOT}/controller/ping", b"not a number")
        until(lambda: client.statistics().callback_errors > before)
    else:
        proxy.mode = kind


def _timed(what: str, kind: str, true: object, within_ms: int, outcome: Outcome) -> None:
    assert callable(true)
    began = time.monotonic()
    while not true():
        if (time.monotonic() - began) * 1000 > within_ms:
            outcome.failures.append(f"{kind}: not {what} within {within_ms} ms")
            break
        time.sleep(0.002)
    took_ms = round((time.monotonic() - began) * 1000)
    name = f"longest until {what}, ms"
    outcome.noted[name] = max(outcome.noted[name], took_ms)


def _speaks(broker: Mosquitto, inbox: Inbox, kind: str, number: int, outcome: Outcome) -> None:
    """A motion sent after the fault arrives, so the link is no mere word."""
    wanted = b"%d" % number
    with Peer(broker.port, "gate") as board:
        board.publish(MOTION, wanted)
    found = inbox.arrival()
    while found.payload != wanted and found.payload.isdigit() and int(found.payload) < number:
        found = inbox.arrival()
    outcome.expect(found.payload == wanted, f"{kind}: {found.payload!r} came for {wanted!r}")
