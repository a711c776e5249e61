"""Drives the real arbiter through streams of motions, with boards that report each play's end.

It moves the virtual clock and counts; what is decided is the arbiter's alone.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from heapq import heappop, heappush
from typing import Any

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Effect, Outcome, SendCue
from haunt.core.invariants import check_all
from haunt.core.show import Show
from tests.core.stage import BOOT, EVENING
from tests.theory.arrivals import Length

START_MS = 1_000_000


@dataclass(slots=True)
class Seen:
    """What became of one motion: how many props fired for it, and whether it found all free."""

    fired: int
    all_free: bool


@dataclass(slots=True)
class Yard:
    """`rest_ms` is the cooldown of its props: with it, the yard knows when one is free again.

    Without `length` no board ever reports; `refuses` says which cues a board would not play.
    """

    of: Show
    length: Length | None = None
    rest_ms: int = 0
    refuses: Callable[[str], bool] = lambda _cue: False
    boots: dict[str, str] = field(default_factory=dict)
    arbiter: Arbiter = field(init=False)
    starts: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    longest_wait_ms: int = 0
    _ends: list[tuple[int, str, str]] = field(default_factory=list)
    _free_ms: int = 0
    _seq: int = 0
    _boards: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.arbiter = Arbiter(self.of)
        self._boards = {each.id: each.board for each in self.of.sensors}
        self._boards |= {"prop " + each.id: each.board for each in self.of.props}
        at = (START_MS, EVENING)
        self.arbiter.handle(events.Started(*at, link_up=True))
        for board in self.of.boards:
            self.arbiter.handle(events.BoardHere(*at, board.id, BOOT, 3_600_000, "power-on"))

    def run(self, motions: Iterable[tuple[int, str]]) -> list[Seen]:
        """Hand over motions in the order of their instants; ends that fall on one come first."""
        found = []
        for at, sensor in motions:
            self.until(at)
            all_free = at >= self._free_ms
            found.append(Seen(self.motion(at, sensor), all_free))
        check_all(self.arbiter.night)
        return found

    def motion(self, at: int, sensor: str) -> int:
        """Return how many props started at it."""
        board = self._boards[sensor]
        self._seq += 1
        return self.tell(at, events.Motion, board, sensor, self.boots.get(board, BOOT), self._seq)

    def tell(self, at: int, kind: type[events.Event], *args: Any, **more: Any) -> int:
        """Tell the arbiter anything, once all that comes before has come."""
        self.until(at)
        return self._take(self.arbiter.handle(kind(*_clocks(at), *args, **more)))

    def until(self, at: int) -> None:
        """Let ends and timers come, each at its own instant, up to this one."""
        while True:
            due = self.arbiter.next_due_ms()
            if self._ends and self._ends[0][0] <= at and (due is None or self._ends[0][0] <= due):
                when, prop, cue = heappop(self._ends)
                board = self._boards["prop " + prop]
                state = "refused" if self.refuses(cue) else "finished"
                report = events.Reported(*_clocks(when), board, cue, state)
                self._take(self.arbiter.handle(report))
            elif due is not None and due < at:
                self._take(self.arbiter.advance(due))
            else:
                return

    def _take(self, effects: list[Effect]) -> int:
        fired = 0
        for effect in effects:
            if isinstance(effect, Decision):
                self.reasons[effect.reason or "fired"] += 1
                self.longest_wait_ms = max(self.longest_wait_ms, effect.waited_ms)
                fired += effect.outcome is Outcome.FIRED
            elif isinstance(effect, SendCue):
                self.starts[effect.prop] += 1
                lasts = effect.max_ms if self.length is None else self.length()
                self._free_ms = max(self._free_ms, effect.sent_ms + lasts + self.rest_ms)
                if self.length is not None:
                    heappush(self._ends, (effect.sent_ms + lasts, effect.prop, effect.cue))
        return fired


def _clocks(at: int) -> tuple[int, int]:
    return at, at - START_MS + EVENING
