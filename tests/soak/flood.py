"""A thousand strangers a second knock at the broker: who is known hears cues as soon as ever.

Each connects, says a whole or half a CONNECT with a wrong password, and goes or is hung up on.
`count` is in seconds; what rate was reached is told, for a busy machine may not reach it.
"""

import threading
import time
from contextlib import suppress
from pathlib import Path

from tests.fuzz.packets import resident_kb
from tests.mqtt.raw import RawClient, connect, publish
from tests.mqtt.stage import Garden
from tests.soak.outcome import Outcome
from tests.soak.strangers import GROWTH_MAX_KB, P99_MAX_MS, TOPIC, listening

RATE = 1000
LINES = 2
CUE_EVERY_S = 0.05


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Flood it for `count` seconds."""
    del seed  # nothing is drawn
    outcome = Outcome()
    with listening(folder) as (garden, spy, board):
        _flood(garden, spy, board, count, outcome)
    return outcome


def _flood(
    garden: Garden, spy: RawClient, board: RawClient, seconds: int, outcome: Outcome
) -> None:
    before_kb, restarts = resident_kb(garden.kept.pid), garden.kept.restarts
    ending, parts = threading.Event(), [Outcome() for _ in range(LINES)]
    lines = [
        threading.Thread(target=_knock, args=(garden.kept.port, ending, each)) for each in parts
    ]
    for each in lines:
        each.start()
    began, took_ms, grown_kb = time.monotonic(), list[float](), 0
    while time.monotonic() - began < seconds:
        took_ms.append(_cue_ms(spy, board, len(took_ms)))
        grown_kb = max(grown_kb, resident_kb(garden.kept.pid) - before_kb)
        ending.wait(CUE_EVERY_S)
    lasted_s = time.monotonic() - began
    ending.set()
    for each in lines:
        each.join()
    for part in parts:
        outcome.take(part, "the flood")
    p99_ms = sorted(took_ms)[int(len(took_ms) * 0.99) - 1]
    outcome.noted["strangers a second"] = round(sum(outcome.injected.values()) / lasted_s)
    outcome.noted["cues timed"] = len(took_ms)
    outcome.noted["p99 of a cue, ms"] = round(p99_ms)
    outcome.noted["longest a cue took, ms"] = round(max(took_ms))
    outcome.noted["the broker grew by, KB"] = grown_kb
    outcome.expect(p99_ms <= P99_MAX_MS, f"a cue took {p99_ms:.0f} ms")
    outcome.expect(grown_kb <= GROWTH_MAX_KB, f"the broker grew by {grown_kb} KB")
    outcome.expect(garden.kept.restarts == restarts, "the broker died")


def _knock(port: int, ending: threading.Event, outcome: Outcome) -> None:
    """Every other time wait for the answer, else hang up at once, every fourth half way through."""
    began, number = time.monotonic(), 0
    while not ending.is_set():
        ahead_s = began + number * LINES / RATE - time.monotonic()
        if ahead_s > 0:
            ending.wait(ahead_s)
        words = connect(b"b1", b"guess %d" % number)
        with suppress(OSError), RawClient(port) as stranger:
            if number % 2:
                code = stranger.sign_in(words)
                outcome.expect(code in {5, None}, f"a guess was answered {code}")
                outcome.injected["refused"] += 1
            else:
                stranger.send(words[:9] if number % 4 else words)
                outcome.injected["half a CONNECT" if number % 4 else "gone before the answer"] += 1
        number += 1


def _cue_ms(spy: RawClient, board: RawClient, number: int) -> float:
    began, wanted = time.perf_counter(), b"%d" % number
    spy.send(publish(TOPIC, wanted))
    heard = b""
    while heard != wanted:
        messages = board.heard()
        heard = messages[-1].payload if messages else heard
    took_ms = 1000 * (time.perf_counter() - began)
    spy.heard()
    return took_ms
