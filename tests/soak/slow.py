"""Boards that never read and boards that sleep: whoever does read hears cues as soon as ever.

Twenty of each; `count` cues are said to them all together, and one sleeper is told more than the
broker may keep for it. What it keeps is bounded, and is all there, in order, when they are back.
"""

import re
import socket
import time
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Final, NamedTuple

from haunt.mqtt.kept import PROMISED
from tests.fuzz.packets import resident_kb
from tests.mqtt import attacks
from tests.mqtt.raw import RawClient, connect, publish, subscribe
from tests.mqtt.stage import Garden
from tests.soak.outcome import Outcome

READER: Final = "b1"
STUCK: Final = tuple(f"stuck-{at}" for at in range(20))
ASLEEP: Final = tuple(f"asleep-{at}" for at in range(20))
GLUTTON: Final = "glutton"
QUEUED_MAX: Final = int(re.findall(r"max_queued_messages (\d+)", "\n".join(PROMISED))[0])
SWALLOWED: Final = 500
A_HANDFUL: Final = 200
CUE_BYTES: Final = 250
SMALL_BYTES: Final = 4096
CUES: Final = 400
PAUSE_S: Final = 0.01
"""Between cues: four seconds of them, for the broker saves what it keeps once a second."""
LATER_MAX: Final = 1.2
NOISE_MS: Final = 2.0
KB_A_CUE: Final = 2.0


class Pace(NamedTuple):
    """How long a cue took from the controller to the board that reads, in ms."""

    p50_ms: float
    p99_ms: float
    max_ms: float


def run(count: int, seed: int, folder: Path, *, cues: int = CUES, slack: float = 1) -> Outcome:
    """Queue `count` cues and time `cues`; `slack` times as long is borne on a busy machine."""
    del seed  # nothing is drawn
    outcome, garden = Outcome(), Garden(folder)
    try:
        garden.admit(READER, *STUCK, *ASLEEP, GLUTTON)
        garden.start()
        with attacks.let_in_a_spy(garden) as spy, _signed_in(garden, READER) as reader:
            reader.send(subscribe(_topic(READER)))
            reader.heard()
            measured = partial(_pace, spy, reader, cues)
            _compare(garden, spy, measured, count, slack, outcome)
    finally:
        garden.end()
    return outcome


def _compare(
    garden: Garden,
    spy: RawClient,
    measured: Callable[[], Pace],
    count: int,
    slack: float,
    outcome: Outcome,
) -> None:
    calm, calm_kb = measured(), resident_kb(garden.kept.pid)
    with ExitStack() as ending:
        for each in (*ASLEEP, GLUTTON):
            _put_to_sleep(garden, each)
        for each in STUCK:
            ending.enter_context(_stuck(garden, each))
        _say(spy, GLUTTON, QUEUED_MAX + SWALLOWED, outcome)
        each_gets = max(1, count // len((*STUCK, *ASLEEP)))
        for each in (*STUCK, *ASLEEP):
            _say(spy, each, each_gets, outcome)
        busy, grown_kb = measured(), resident_kb(garden.kept.pid) - calm_kb
    _wake(garden, each_gets, outcome)
    after = measured()
    _judge(calm, busy, after, slack, outcome)
    outcome.noted["the broker grew by, KB"] = grown_kb
    kept = sum(outcome.injected.values())
    outcome.expect(grown_kb <= KB_A_CUE * kept, f"{grown_kb} KB for {kept} cues")


def _judge(calm: Pace, busy: Pace, after: Pace, slack: float, outcome: Outcome) -> None:
    for name, pace in (("before", calm), ("with them", busy), ("after", after)):
        for what, ms in zip(("p50", "p99", "longest"), pace, strict=True):
            outcome.noted[f"{what} of a cue {name}, us"] = round(1000 * ms)
    allowed_ms = slack * (LATER_MAX * max(calm.p99_ms, after.p99_ms) + NOISE_MS)
    outcome.expect(busy.p99_ms <= allowed_ms, f"p99 is {busy.p99_ms:.1f}, not {allowed_ms:.1f} ms")


def _wake(garden: Garden, each_gets: int, outcome: Outcome) -> None:
    """All that was kept comes, in order; of what is over the bound nothing does."""
    wanted = [b"%d" % number for number in range(each_gets)]
    for each in ASLEEP:
        heard = _heard_at_last(garden, each, each_gets)
        outcome.expect(heard == wanted, f"{each} heard {len(heard)} of {each_gets} cues")
    heard = _heard_at_last(garden, GLUTTON, QUEUED_MAX)
    outcome.noted["cues kept for one that was told too many"] = len(heard)
    outcome.expect(
        heard == [b"%d" % number for number in range(len(heard))] and len(heard) <= QUEUED_MAX + 1,
        f"{GLUTTON} heard {len(heard)} cues, bound {QUEUED_MAX}",
    )


def _heard_at_last(garden: Garden, name: str, wanted: int) -> list[bytes]:
    with _signed_in(garden, name, clean=False) as board:
        heard: list[bytes] = []
        while len(heard) < wanted:
            more = [each.payload.split(b" ", 1)[0] for each in board.heard()]
            if not more:
                break
            heard += more
        return heard


def _put_to_sleep(garden: Garden, name: str) -> None:
    with _signed_in(garden, name, clean=False) as board:
        board.send(subscribe(_topic(name)))
        board.heard()


def _stuck(garden: Garden, name: str) -> RawClient:
    board = _signed_in(garden, name)
    board.send(subscribe(_topic(name)))
    board.heard()
    board._sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SMALL_BYTES)
    return board


def _signed_in(garden: Garden, name: str, *, clean: bool = True) -> RawClient:
    board = RawClient(garden.kept.port)
    who, password = name.encode(), garden.passwords[name].encode()
    code = board.sign_in(connect(who, password, clean=clean, keepalive_s=600))
    assert code == 0, f"{name} was told {code}"
    return board


def _say(spy: RawClient, name: str, count: int, outcome: Outcome) -> None:
    for first in range(0, count, A_HANDFUL):
        numbers = range(first, min(count, first + A_HANDFUL))
        cues = (b"%d " % number + b"x" * CUE_BYTES for number in numbers)
        spy.send(b"".join(publish(_topic(name), each) for each in cues))
        spy.heard()
    kind = name.partition("-")[0]
    outcome.injected[f"cues to who is {kind}"] += count


def _pace(spy: RawClient, reader: RawClient, cues: int) -> Pace:
    took_ms: list[float] = []
    for number in range(cues):
        began_s, wanted, heard = time.perf_counter(), b"%d" % number, b""
        spy.send(publish(_topic(READER), wanted))
        while heard != wanted:
            messages = reader.heard()
            heard = messages[-1].payload if messages else heard
        took_ms.append(1000 * (time.perf_counter() - began_s))
        spy.heard()
        time.sleep(PAUSE_S)
    took_ms.sort()
    return Pace(took_ms[cues // 2], took_ms[cues * 99 // 100], took_ms[-1])


def _topic(name: str) -> bytes:
    return f"haunt/garden/{name}/cue".encode()
