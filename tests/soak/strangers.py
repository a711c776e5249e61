"""Who has no credential cannot use up the broker: not its files, its memory, nor its time.

Silent sockets, half a CONNECT, packets that claim a quarter of a gigabyte, sign-ins with wrong
passwords one after another; meanwhile a board must hear its cues, soon.
"""

import resource
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.fuzz.packets import resident_kb
from tests.mqtt import attacks
from tests.mqtt.raw import RawClient, connect, packet, publish, subscribe
from tests.mqtt.stage import Garden
from tests.soak.outcome import Outcome

GROWTH_MAX_KB = 50_000
P99_MAX_MS = 500
CUES = 200
TOPIC = b"haunt/garden/b1/cue"
KINDS = ("says nothing", "begins a CONNECT", "claims 256 MB")
HUGE = packet(0x10, b"", claim=268_435_455)


def run(count: int, seed: int, folder: Path) -> Outcome:
    """Open `count` sockets that stay, while others knock with wrong passwords as fast as can be."""
    del seed  # nothing is drawn
    _allow_files(count + 500)
    outcome = Outcome()
    with listening(folder) as (garden, spy, board):
        _besiege(garden, spy, board, count, outcome)
    return outcome


@contextmanager
def listening(folder: Path) -> Iterator[tuple[Garden, RawClient, RawClient]]:
    """A broker, a spy that may say anything, and a board that listens for its cues."""
    garden = Garden(folder)
    try:
        garden.admit("b1")
        garden.start()
        with attacks.let_in_a_spy(garden) as spy:
            board = attacks.signed_in(garden, "b1")
            assert board is not None
            with board:
                board.send(subscribe(TOPIC))
                board.heard()
                yield garden, spy, board
    finally:
        garden.end()


def _besiege(
    garden: Garden, spy: RawClient, board: RawClient, count: int, outcome: Outcome
) -> None:
    calm_ms = _p99_ms(spy, board, outcome)
    before_kb, restarts = resident_kb(garden.kept.pid), garden.kept.restarts
    with _crowd(garden.kept.port, count, outcome) as strangers, _knocking(garden, outcome):
        took_ms = _p99_ms(spy, board, outcome)
        newcomer = attacks.signed_in(garden, "b1")  # takes over, as a board that comes back does
        outcome.expect(newcomer is not None, "a board that comes back is kept out")
        if newcomer is not None:
            newcomer.close()
        outcome.noted["strangers that were hung up on"] = sum(not _is_open(s) for s in strangers)
        grown_kb = resident_kb(garden.kept.pid) - before_kb
    outcome.noted["p99 of a cue before, ms"] = calm_ms
    outcome.noted["p99 of a cue under siege, ms"] = took_ms
    outcome.noted["the broker grew by, KB"] = grown_kb
    outcome.expect(took_ms <= P99_MAX_MS, f"a cue took {took_ms} ms")
    outcome.expect(grown_kb <= GROWTH_MAX_KB, f"the broker grew by {grown_kb} KB")
    outcome.expect(garden.kept.restarts == restarts, "the broker died")


def _p99_ms(spy: RawClient, board: RawClient, outcome: Outcome) -> int:
    """From publishing a cue until the board has it, one after another."""
    took: list[float] = []
    for number in range(CUES):
        began = time.perf_counter()
        spy.send(publish(b"haunt/garden/b1/cue", b"%d" % number))
        heard = b""
        while heard != b"%d" % number:
            messages = board.heard()
            heard = messages[-1].payload if messages else heard
        took.append(1000 * (time.perf_counter() - began))
        spy.heard()
    outcome.noted["cues timed"] += len(took)
    return round(sorted(took)[int(len(took) * 0.99) - 1])


@contextmanager
def _crowd(port: int, count: int, outcome: Outcome) -> Iterator[Sequence[RawClient]]:
    strangers: list[RawClient] = []
    try:
        for number in range(count):
            stranger, kind = RawClient(port), KINDS[number % len(KINDS)]
            strangers.append(stranger)
            with suppress(OSError):
                if kind == KINDS[1]:
                    stranger.send(b"\x10\x20\x00\x04MQ")
                elif kind == KINDS[2]:
                    stranger.send(HUGE + b"\0" * 8000)
            outcome.injected[f"a stranger {kind}"] += 1
        yield strangers
    finally:
        for each in strangers:
            each.close()


@contextmanager
def _knocking(garden: Garden, outcome: Outcome) -> Iterator[None]:
    """Sign in with the board's name and wrong passwords until the end of the block."""
    ending, knocks = threading.Event(), 0

    def knock() -> None:
        nonlocal knocks
        while not ending.is_set():
            with suppress(OSError), RawClient(garden.kept.port) as stranger:
                code = stranger.sign_in(connect(b"b1", b"guess %d" % knocks))
                outcome.expect(code in {5, None}, f"a guess was answered {code}")
            knocks += 1

    thread = threading.Thread(target=knock)
    thread.start()
    try:
        yield
    finally:
        ending.set()
        thread.join()
        outcome.injected["sign-ins with a wrong password"] += knocks


def _is_open(stranger: RawClient) -> bool:
    """Whether the broker still bears it; it has nothing to say to it."""
    sock = stranger._sock
    sock.setblocking(False)
    try:
        return sock.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


def _allow_files(wanted: int) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(wanted, hard), hard))
