"""Motions that come one to five times, in any order, over restarts: each counts once.

The model is a set of keys. After each story the journal must hold every motion once and decide it
once for its prop, whatever was redelivered, reordered, or forgotten by a kill and sent again.
"""

import json
from collections import Counter
from pathlib import Path
from typing import Any

from haunt.core.arbiter import Arbiter
from haunt.core.decisions import MotionKey
from haunt.core.events import key_of
from haunt.live.night import RunningNight
from haunt.live.ports import Arrival, LinkState, Record
from haunt.study.chance import Chance
from tests.core.stage import EVENING, prop, sensor, show
from tests.fakes.broker import FakeJournal, FakeOutbox
from tests.soak.outcome import Outcome

START_MS = 5_000_000
MOTIONS_MAX, COPIES_MAX = 12, 5
SHOW = show(
    *(prop(f"p{n}", board=f"b{n}", cooldown_ms=300) for n in (1, 2)),
    *(sensor(f"s{n}", f"p{n}", f"b{n}") for n in (1, 2)),
)


def run(count: int, seed: int, _folder: Path) -> Outcome:
    """Tell `count` stories."""
    outcome = Outcome()
    for number in range(count):
        story = Story(Chance(seed, f"story {number}"), outcome)
        story.tell()
        for each in story.faults():
            outcome.failures.append(f"story {number}: {each}")
    return outcome


class Story:
    def __init__(self, chance: Chance, outcome: Outcome) -> None:
        self._chance, self._outcome = chance, outcome
        self._now, self._starts = START_MS, 0
        self._kept: list[Record] = []
        self._start()
        self._keys = [self._drawn_key(at) for at in range(2 + chance.below(MOTIONS_MAX - 1))]

    def tell(self) -> None:
        copies = [each for each in self._keys for _ in range(1 + self._chance.below(COPIES_MAX))]
        self._outcome.injected["motions"] += len(set(self._keys))
        self._outcome.injected["copies of them"] += len(copies) - len(set(self._keys))
        for at in range(len(copies) - 1, 0, -1):  # shuffled
            other = self._chance.below(at + 1)
            copies[at], copies[other] = copies[other], copies[at]
        for each in copies:
            self._deliver(each)
            drawn = self._chance.below(20)
            if drawn < 8:
                self._commit()
            elif drawn == 19:
                self._kill()
        self._commit()
        for each in dict.fromkeys(copies):  # what was never acknowledged is there at the end
            self._deliver(each)
        self._wait(30_000)
        self._commit()

    def faults(self) -> list[str]:
        motions = Counter(
            key_of(each.event)  # type: ignore[arg-type]
            for each in self._kept
            if each.has_motion
        )
        decided = Counter(
            each.motion for record in self._kept for each in record.decisions if each.motion
        )
        wanted = Counter(set(self._keys))
        found = []
        if motions != wanted:
            found.append(f"journalled {dict(motions - wanted)} too often, {dict(wanted - motions)}")
        if decided != wanted:
            found.append(f"decided {dict(decided - wanted)} too often, {dict(wanted - decided)}")
        if self._running.broken:
            found.append(self._running.broken)
        return found

    # --- what happens

    def _drawn_key(self, at: int) -> MotionKey:
        return MotionKey(f"b{1 + self._chance.below(2)}", f"{self._chance.below(2):012x}", at + 1)

    def _start(self) -> None:
        """From what was kept, as a restart does."""
        self._starts += 1
        arbiter = Arbiter(SHOW)
        for record in self._kept:
            if record.event is not None:
                arbiter.handle(record.event)
        memory = arbiter.snapshot() if self._kept else None
        self._journal = FakeJournal()
        number = self._kept[-1].number if self._kept else 0
        self._running = RunningNight(
            Arbiter(SHOW, memory=memory),
            FakeOutbox(),
            self._journal,
            clock_id=f"c{self._starts}",
            number=number,
        )
        self._running.link(LinkState(True, self._now, EVENING))
        self._wait(400)
        for board in ("b1", "b2"):
            self._say(f"{board}/presence", state="here", boot="0" * 12, conn=1, up_ms=90_000)

    def _kill(self) -> None:
        """What was not committed is gone, and so was never acknowledged."""
        self._outcome.injected["kills"] += 1
        self._outcome.noted["records forgotten by kills"] += len(self._journal.records)
        self._start()

    def _commit(self) -> None:
        self._kept += self._journal.records
        self._journal.records.clear()

    def _deliver(self, key: MotionKey) -> None:
        self._wait(self._chance.below(400))
        sensor_id = f"s{key.board[1:]}"
        self._say(f"{key.board}/motion", sensor=sensor_id, boot=key.boot, seq=key.seq, age_ms=0)

    def _say(self, topic: str, **payload: Any) -> None:
        body = json.dumps(payload).encode()
        self._running.receive(
            Arrival(f"haunt/garden/{topic}", body, False, self._now, EVENING + self._now)
        )

    def _wait(self, ms: int) -> None:
        until = self._now + ms
        while self._now < until:
            due = self._running.next_due_ms(self._now)
            self._now = min(until, max(due, self._now + 1))
            self._running.advance(self._now, EVENING + self._now)
