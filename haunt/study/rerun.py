"""A recorded night, decided again under other settings, by the very same arbiter.

What came from outside is kept (motions, boards, links, what people ordered); what our own cues
caused is not: reports come from simulated boards that play as long as the real ones did. It cannot
know where people would have walked if a prop had behaved otherwise.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from heapq import heappop, heappush
from statistics import median_low
from typing import Any, Final, NamedTuple

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.calendar import Sunset, no_sunset
from haunt.core.decisions import Decision, Effect, SendCue, Source
from haunt.core.events import Event
from haunt.core.show import Show

CAUSED = (events.Reported, events.Ticked, events.Woke, events.ClockStepped, events.ShowChanged)
REPORT_MS = 80
"""From a cue to a board's report that it ended: the wire, twice. Only a default."""

LIMITS: Final = (
    "People walk as they did: who would have stayed for a prop, or gone, is not known.",
    "A motion that a prop set off itself is still there where that prop no longer plays.",
    "Boards play each behaviour as long as they did that night, or as the show file says.",
    "Packs are taken to fall with the charge drawn; rules about charge see that night's readings.",
    "Restarts of the controller and changes of settings during the night are left out.",
)
"""What a night that is decided again cannot know. It stands beside every table made of one."""

BehaviourKey = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Recording:
    """The outside of one night. `memory` is the snapshot it starts from, if there is one.

    `durations_ms` is how long behaviours really took, by prop and behaviour.
    """

    outside: tuple[Event, ...]
    memory: dict[str, Any] | None = None
    durations_ms: Mapping[BehaviourKey, int] = field(default_factory=dict)

    @property
    def motions(self) -> tuple[events.Motion, ...]:
        return tuple(each for each in self.outside if isinstance(each, events.Motion))


class Play(NamedTuple):
    """One start of a behaviour and how long it took."""

    at_ms: int
    prop: str
    behaviour: str
    lasted_ms: int
    waited_ms: int
    source: Source


@dataclass(frozen=True, slots=True)
class Rerun:
    """What came of it: every decision and every play, in order."""

    decisions: tuple[Decision, ...]
    plays: tuple[Play, ...]

    def starts(self) -> dict[str, list[int]]:
        """Return when each prop started, on the steady clock."""
        found: dict[str, list[int]] = defaultdict(list)
        for play in self.plays:
            found[play.prop].append(play.at_ms)
        return found


def record(
    journal: Iterable[tuple[Event, Iterable[Decision]]], memory: dict[str, Any] | None = None
) -> Recording:
    """Take the outside out of a journal: each event with the decisions that followed it.

    Of several starts of the controller only the first is kept: a restart is no part of the night.
    """
    kept: list[Event] = []
    began: dict[str, tuple[int, BehaviourKey]] = {}
    took: dict[BehaviourKey, list[int]] = defaultdict(list)
    has_start = False
    for event, decisions in journal:
        if isinstance(event, events.Reported) and event.state == "finished":
            known = began.pop(event.cue, None)
            if known is not None:
                took[known[1]].append(event.wall_ms - known[0])
        for each in decisions:
            if each.cue is not None and each.prop is not None and each.behaviour is not None:
                began[each.cue] = (each.wall_ms, (each.prop, each.behaviour))
        starts = isinstance(event, events.Started)
        if isinstance(event, CAUSED) or (starts and has_start):
            continue
        has_start = has_start or starts
        kept.append(event)
    return Recording(tuple(kept), memory, {key: median_low(each) for key, each in took.items()})


def rerun(recording: Recording, show: Show, sunset: Sunset = no_sunset) -> Rerun:
    """Decide the night again; the same arguments, the same result.

    About 20 us a motion that is weighed. Eight tenths of that are the arbiter's own: simulated
    boards and the notes of what came of it are the rest, so only a quicker arbiter, or another
    process for another setting, makes it quicker.
    """
    return Stage(recording, show, sunset).run()


class Stage:
    """The arbiter with boards that play what they are told and say when they have ended."""

    def __init__(self, recording: Recording, show: Show, sunset: Sunset) -> None:
        self.decisions: list[Decision] = []
        self.plays: list[Play] = []
        behaviours = {(p.id, b.id): b.duration_ms for p in show.props for b in p.behaviours}
        took = recording.durations_ms
        self._lasts = {key: took.get(key, ms + REPORT_MS) for key, ms in behaviours.items()}
        self.longest_ms = max(self._lasts.values(), default=0) + 60_000
        self._arbiter = Arbiter(show, sunset, recording.memory)
        self._outside = recording.outside
        self._by_clock = bool(show.timetable)
        self._ends: list[tuple[int, int, str, str]] = []
        self._offset_ms = 0

    def run(self) -> Rerun:
        for event in self._outside:
            self.take(event)
        if self._outside:
            self.run_until(self._outside[-1].mono_ms + self.longest_ms)
        return Rerun(tuple(self.decisions), tuple(self.plays))

    def take(self, event: Event) -> None:
        ends, now = self._ends, event.mono_ms
        if self._by_clock or self._arbiter.night.items or (ends and ends[0][0] <= now):
            self.run_until(now)
        self._offset_ms = event.wall_ms - now
        effects = self._arbiter.handle(event)
        if len(effects) == 1 and type(effects[0]) is Decision:  # most motions: refused, and no more
            self.decisions.append(effects[0])
        elif effects:
            self._note(effects)

    def run_until(self, until_ms: int) -> None:
        """Let timers and boards come at their own instants, in order.

        A timer can send a cue only where a trigger is under way or the timetable has rows. Else the
        arbiter is left to run it before the next event, as it does by itself: a third less calls.
        """
        arbiter, ends = self._arbiter, self._ends
        while True:
            end_ms = ends[0][0] if ends else until_ms + 1
            if self._by_clock or arbiter.night.items:
                due = arbiter.next_due_ms()
                if due is not None and due <= until_ms and due <= end_ms:
                    self._note(arbiter.advance(due))
                    continue
            if end_ms > until_ms:
                return
            at_ms, _, board, cue = heappop(ends)
            report = events.Reported(at_ms, at_ms + self._offset_ms, board, cue, "finished")
            effects = arbiter.handle(report)
            if effects:
                self._note(effects)

    def _note(self, effects: list[Effect]) -> None:
        fired: Decision | None = None
        for effect in effects:
            if type(effect) is Decision:
                self.decisions.append(effect)
                fired = effect
            elif type(effect) is SendCue:
                assert fired is not None, "a cue follows the decision that sent it"
                self.play(effect, fired)

    def play(self, cue: SendCue, fired: Decision) -> None:
        lasts_ms = min(self._lasts[cue.prop, cue.behaviour], cue.max_ms)
        heappush(self._ends, (cue.sent_ms + lasts_ms, len(self.plays), cue.board, cue.cue))
        self.plays.append(
            Play(cue.sent_ms, cue.prop, cue.behaviour, lasts_ms, fired.waited_ms, fired.source)
        )
