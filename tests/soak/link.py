"""The controller's links cut, swallowed, halved, their brokers frozen, their own code failing.

Every death is noticed, said and mended. Several links at once, every other one over TLS; with the
pace of a night (HAUNT_LONG=1) the bound is ten seconds to notice and fifteen to come back, else the
pace is quickened, and the bounds with it.
"""

import os
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from haunt.bootstrap.certs import make_certificates
from haunt.core.dice import draw
from haunt.live.ports import Arrival, LinkState
from haunt.mqtt.client import Account, BrokerClient, Pace
from tests.fakes.mqtt_line import Inbox
from tests.mqtt.rig import QUICK, ROOT, Mosquitto, Peer, free_port, running
from tests.soak.outcome import Outcome
from tests.soak.proxy import PASS, SWALLOW, SWALLOW_BACK, Proxy
from tests.soak.traps import CALLBACKS, PUMP, TURN, end_thread, trapped

CUT, HUNG_UP, FROZEN = "cut", "hung up", "frozen"
PING, LISTENER = "a strange ping", "the listener"
RAISING = (PING, LISTENER, *CALLBACKS, TURN, PUMP)
KINDS = (CUT, HUNG_UP, SWALLOW, SWALLOW_BACK, FROZEN, *RAISING)
LASTING = (PING, LISTENER)
"""What fails there must not cost the link."""
MOTION = f"{ROOT}/gate/motion"
SLACK_MS = 2000  # a busy machine, and the pump's own turns
LINKS_MAX = 20
BACKLOG_MAX = 2000


class Link:
    """One broker, the way to it, and our end; over TLS where it has a context."""

    def __init__(self, broker: Mosquitto, proxy: Proxy, pace: Pace, fuses: dict[int, str]) -> None:
        self.broker, self.proxy, self.pace, self.fuses = broker, proxy, pace, fuses
        self.inbox = Inbox()
        self.fails = False
        self.client: BrokerClient

    def deliver(self, what: Arrival | LinkState) -> bool:
        if self.fails and isinstance(what, Arrival):
            self.fails = False
            raise ValueError(LISTENER)
        return self.inbox.deliver(what)

    @property
    def ups(self) -> int:
        return self.client.statistics().connections

    @property
    def errors(self) -> int:
        return self.client.statistics().callback_errors

    def is_up(self) -> bool:
        return self.client.statistics().connected

    def say(self, topic: str, payload: bytes) -> None:
        """As a board, past the fault."""
        with Peer(self.broker.port, "gate") as board:
            board.publish(topic, payload)


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Let `count` deaths happen, on as many links as have one of each kind."""
    outcome, pace = Outcome(), Pace() if os.environ.get("HAUNT_LONG") else QUICK
    links = max(2, min(LINKS_MAX, count // len(KINDS)))
    authority = make_certificates(folder / "certs", ["127.0.0.1"], datetime.now(UTC))
    parts = [Outcome() for _ in range(links)]
    with trapped() as fuses, ExitStack() as ending:
        threads = []
        for at, part in enumerate(parts):
            own = folder / f"link-{at}"
            own.mkdir()
            tls = authority.ca if at % 2 else None
            link = ending.enter_context(_link(own, pace, fuses, tls))
            numbers = range(at, count, links)
            threads.append(threading.Thread(target=_live, args=(link, numbers, seed, part)))
        for each in threads:
            each.start()
        for each in threads:
            each.join()
    for at, part in enumerate(parts):
        outcome.take(part, f"link {at}")
    outcome.noted["links at once"] = links
    return outcome


@contextmanager
def _link(
    folder: Path, pace: Pace, fuses: dict[int, str], authority: Path | None
) -> Iterator[Link]:
    certs, secret, more = folder.parent / "certs", free_port(), ""
    if authority is not None:
        more = f"certfile {certs}/server.pem\nkeyfile {certs}/server-key.pem\n"
        more = f"listener {secret} 127.0.0.1\n{more}"
    with (
        Mosquitto(folder, more) as broker,
        Proxy(broker.port if authority is None else secret) as proxy,
    ):
        link = Link(broker, proxy, pace, fuses)
        known = None if authority is None else ssl.create_default_context(cafile=str(authority))
        who = Account("127.0.0.1", proxy.port, client_id="yard-controller", tls=known)
        with running(who, link.deliver, pace=pace) as client:
            link.client = client
            yield link


def _live(link: Link, numbers: range, seed: int, outcome: Outcome) -> None:
    try:
        assert link.inbox.state()
        for number in numbers:
            time.sleep(draw(seed, f"link {number}", link.pace.ping_ms) / 1000)
            _die(link, KINDS[number % len(KINDS)], number, outcome)
            outcome.expect(link.client.statistics().pump_alive, f"{number}: the pump died")
    except Exception as fault:  # noqa: BLE001 - told by the run, which has other links
        outcome.failures.append(f"broken off: {type(fault).__name__}: {fault}")
    outcome.noted["connections"] += link.ups


def _die(link: Link, kind: str, number: int, outcome: Outcome) -> None:
    pace, ups, errors = link.pace, link.ups, link.errors
    notice_ms = pace.dead_ms + pace.ping_ms + SLACK_MS
    back_ms = pace.retry_max_ms + pace.connect_timeout_ms + SLACK_MS
    secret = " over TLS" if link.client._account.tls else ""
    outcome.injected[f"{kind} raises{secret}" if kind in RAISING else f"{kind}{secret}"] += 1
    _strike(link, kind, number)
    if kind in RAISING:
        _timed("said", kind, lambda: link.errors > errors, notice_ms, outcome)
    if kind in LASTING:
        outcome.expect(link.is_up() and link.ups == ups, f"{kind} cost the link")
    else:
        gone = lambda: not link.is_up() or link.ups > ups  # noqa: E731 - it may be back already
        _timed("noticed", kind, gone, notice_ms, outcome)
        link.proxy.mode = PASS
        link.broker.thaw()
        if kind not in RAISING:
            link.proxy.cut()  # what was swallowed cannot be given back
        _timed("back", kind, lambda: link.is_up() and link.ups > ups, back_ms, outcome)
    _speaks(link, kind, number, outcome)


def _strike(link: Link, kind: str, number: int) -> None:
    port = link.proxy.port
    if kind in {CUT, HUNG_UP}:
        link.proxy.cut(hard=kind == CUT)
    elif kind == FROZEN:
        link.broker.freeze()
    elif kind in {SWALLOW, SWALLOW_BACK}:
        link.proxy.mode = kind
    elif kind == PING:
        link.say(f"{ROOT}/controller/ping", b"not a number")
    elif kind == PUMP:
        end_thread(link.client._thread)
    elif kind == LISTENER:
        link.fails = True
        link.say(MOTION, b"%d" % number)
    else:
        link.fuses[port] = kind
        if kind == "on_message":
            link.say(MOTION, b"%d" % number)
        elif kind != TURN:
            link.proxy.cut()  # it is called at the next attempt


def _timed(
    what: str, kind: str, true: Callable[[], bool], within_ms: int, outcome: Outcome
) -> None:
    began = time.monotonic()
    while not true():
        if (time.monotonic() - began) * 1000 > within_ms:
            outcome.failures.append(f"{kind}: not {what} within {within_ms} ms")
            break
        time.sleep(0.005)
    took_ms = round((time.monotonic() - began) * 1000)
    name = f"longest until {what}, ms"
    outcome.noted[name] = max(outcome.noted[name], took_ms)


def _speaks(link: Link, kind: str, number: int, outcome: Outcome) -> None:
    """A motion sent after the fault arrives, so the link is no mere word."""
    wanted = b"after %d" % number
    link.say(MOTION, wanted)
    for _ in range(BACKLOG_MAX):
        found = link.inbox.arrival()
        if found.receipt is not None:
            link.client.acknowledge(found.receipt)
        if found.payload == wanted:
            return
    outcome.failures.append(f"{kind}: {wanted!r} never came")
