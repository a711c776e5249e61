"""Alerts to the outside: each that comes or goes is posted as JSON to one address.

It has a thread and a bounded queue of its own; the night never waits for it. Nothing goes out but
the alert itself: no names of people, no addresses.
"""

import json
import logging
import secrets
from collections import OrderedDict, deque
from collections.abc import Callable
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from typing import Final, NamedTuple
from urllib.parse import urlsplit

from haunt.live.ports import AlertRow, OutCounts
from haunt.store.bell import Bell
from haunt.store.instants import rfc3339_second

log = logging.getLogger("haunt.webhook")

QUEUE_MAX: Final = 100
KNOWN_MAX: Final = 400
TRIES_MAX: Final = 8
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
TIMEOUT_S: Final = 5.0
ANSWER_MAX: Final = 1024
AGAIN: Final = frozenset({408, 425, 429})
"""Refusals that pass by themselves; any other 3xx or 4xx would come again and again."""


class Answer(NamedTuple):
    """What became of one try. `fault` is empty where it was taken."""

    fault: str = ""
    is_final: bool = False


Post = Callable[[bytes], Answer]
Wait = Callable[[float], bool]
"""Wait so many seconds; True where it is time to end."""
Draw = Callable[[], float]
"""A number from 0 to 1."""


class Webhook:
    """Satisfies `live.ports.AlertsOut`. `told` and `counts` may be called from any thread."""

    def __init__(
        self,
        show: str,
        post: Post,
        *,
        wait: Wait | None = None,
        draw: Draw = lambda: secrets.randbelow(1001) / 1000,
        queue_max: int = QUEUE_MAX,
    ) -> None:
        self._show, self._post, self._draw, self._queue_max = show, post, draw, queue_max
        self._queue: deque[bytes] = deque()
        self._states: OrderedDict[int, str] = OrderedDict()
        self._bell = Bell("webhook", self._run)
        self._wait = wait or self._bell.ending.wait
        self._sent = self._dropped = 0
        self._fault = ""

    def start(self) -> None:
        self._bell.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """What waits is left: the next run tells of what is still open."""
        self._bell.end(timeout_s)

    def told(self, row: AlertRow, wall_ms: int) -> None:
        """Queue an alert that came or went. That somebody saw it, or a count rose, stays here."""
        state = "cleared" if row.state == "cleared" else "raised"
        if self._states.get(row.alert) == state:
            return
        self._states[row.alert] = state
        self._states.move_to_end(row.alert)
        while len(self._states) > KNOWN_MAX:
            self._states.popitem(last=False)
        while len(self._queue) >= self._queue_max:
            self._queue.popleft()  # what is newer matters more
            self._dropped += 1
        self._queue.append(body_of(self._show, row, state, wall_ms))
        self._bell.ring()

    def counts(self) -> OutCounts:
        return OutCounts(self._sent, self._dropped, len(self._queue), self._fault)

    def send_waiting(self) -> None:
        """Send all that waits, one after the other. For the thread, and for tests."""
        while self._queue and not self._bell.ending.is_set():
            body = self._queue.popleft()
            if self._send(body):
                self._sent += 1
                self._fault = ""
            else:
                self._dropped += 1

    def _send(self, body: bytes) -> bool:
        for number in range(TRIES_MAX):
            answer = self._post(body)
            if not answer.fault:
                return True
            self._fault = answer.fault
            log.warning("an alert was not taken (try %d): %s", number + 1, answer.fault)
            is_last = answer.is_final or number == TRIES_MAX - 1
            if is_last or self._wait(self._pause_s(number)):
                return False
        return False

    def _pause_s(self, number: int) -> float:
        """Twice as long each time, and never two of us at once: half to one and a half of it."""
        return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0**number) * (0.5 + self._draw())

    def _run(self) -> None:
        while not self._bell.ending.is_set():
            self._bell.wait()
            self.send_waiting()


def body_of(show: str, row: AlertRow, state: str, wall_ms: int) -> bytes:
    kind, _, subject = row.key.partition(" ")
    return json.dumps(
        {
            "show": show,
            "at": rfc3339_second(wall_ms),
            "alert": row.alert,
            "state": state,
            "kind": kind,
            "subject": subject,
            "severity": str(row.severity),
            "text": row.text,
            "todo": row.todo,
            "since": rfc3339_second(row.since_ms),
            "count": row.count,
        }
    ).encode()


def post_to(url: str) -> Post:
    """Return what posts to an address. Redirects are not followed: it is the owner's to name it."""
    parts = urlsplit(url)
    host, is_tls = parts.hostname or "", parts.scheme == "https"
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")

    def post(body: bytes) -> Answer:
        kind = HTTPSConnection if is_tls else HTTPConnection
        connection = kind(host, parts.port, timeout=TIMEOUT_S)
        try:
            connection.request("POST", target, body, {"content-type": "application/json"})
            answer = connection.getresponse()
            answer.read(ANSWER_MAX)
        except (OSError, HTTPException) as fault:
            return Answer(f"{host} cannot be reached: {type(fault).__name__}")
        finally:
            connection.close()
        if 200 <= answer.status < 300:
            return Answer()
        is_final = 300 <= answer.status < 500 and answer.status not in AGAIN
        return Answer(f"{host} answered {answer.status}", is_final=is_final)

    return post
