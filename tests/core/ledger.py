"""A second opinion on a night: from calls and cues alone it adds up what played, and finds faults.

It knows starts, ends and the show file's numbers, and nothing of how the arbiter works.
"""

from dataclasses import dataclass, field

from haunt.core import events
from haunt.core.decisions import Decision, Effect, SendCue
from haunt.core.show import Behaviour, PropSpec, Show
from tests.core.stage import BOOT

HOUR_MS, TEN_MIN_MS = 3_600_000, 600_000


@dataclass(slots=True)
class Run:
    """One play as cued. `motor` is its on-time as (from, until)."""

    cue: str
    behaviour: Behaviour
    began_ms: int
    ended_ms: int | None = None

    @property
    def motor_until_ms(self) -> int:
        planned = self.began_ms + self.behaviour.motor_on_ms
        return planned if self.ended_ms is None else min(planned, self.ended_ms)


@dataclass(slots=True)
class Ledger:
    show: Show
    faults: list[str] = field(default_factory=list)
    runs: dict[str, list[Run]] = field(default_factory=dict)
    boots: dict[str, str] = field(default_factory=dict)
    by_hand: set[str] = field(default_factory=set)

    def note(self, event: events.Event, timers: list[Effect], effects: list[Effect]) -> None:
        """Take an event with what its timers brought before it and what it brought itself."""
        self._note(timers)
        self._end_overdue(event.mono_ms)
        self._apply(event)
        self._note(effects)

    def _note(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, SendCue):
                self._start(effect)
            elif isinstance(effect, Decision) and effect.source == "hand":
                self.by_hand.add(str(effect.cue))

    def _apply(self, event: events.Event) -> None:
        if isinstance(event, events.Reported):
            for prop, runs in self.runs.items():
                if runs and runs[-1].cue == event.cue and runs[-1].ended_ms is None:
                    self._report(prop, runs, event)
        elif isinstance(event, events.BoardGone):
            self._end_board(event.board, event.mono_ms)
        elif isinstance(event, events.BoardHere):
            if event.boot != self.boots.get(event.board, BOOT):
                self._end_board(event.board, event.mono_ms)
            self.boots[event.board] = event.boot

    def _report(self, prop: str, runs: list[Run], event: events.Reported) -> None:
        if self._spec(prop).board != event.board:
            return
        if event.state in ("finished", "aborted"):
            runs[-1].ended_ms = event.mono_ms
        elif event.state == "refused" and event.why != "repeat":
            runs.pop()

    def _end_board(self, board: str, at_ms: int) -> None:
        for prop, runs in self.runs.items():
            if self._spec(prop).board == board and runs and runs[-1].ended_ms is None:
                runs[-1].ended_ms = at_ms

    def _end_overdue(self, now_ms: int) -> None:
        for runs in self.runs.values():
            if runs and runs[-1].ended_ms is None:
                until = runs[-1].began_ms + runs[-1].behaviour.duration_ms + 500
                if until <= now_ms:
                    runs[-1].ended_ms = until

    def _start(self, cue: SendCue) -> None:
        now = cue.sent_ms
        self._end_overdue(now)
        spec = self._spec(cue.prop)
        behaviour = next(each for each in spec.behaviours if each.id == cue.behaviour)
        hand = cue.cue in self.by_hand
        runs = self.runs.setdefault(cue.prop, [])
        self._check_own(spec, runs, now, hand=hand)
        self._check_others(spec, behaviour, now, hand=hand)
        runs.append(Run(cue.cue, behaviour, now))
        self._check_sums(spec, runs, now)

    def _check_own(self, spec: PropSpec, runs: list[Run], now: int, *, hand: bool) -> None:
        if runs and runs[-1].ended_ms is None:
            self.faults.append(f"{spec.id} starts at {now} while it plays")
        elif runs and not hand and (runs[-1].ended_ms or 0) + spec.cooldown_ms > now:
            self.faults.append(f"{spec.id} starts at {now} while it rests")
        in_hour = sum(1 for run in runs if run.began_ms > now - HOUR_MS)
        if spec.hourly_cap is not None and not hand and in_hour + 1 > spec.hourly_cap:
            self.faults.append(f"{spec.id} starts at {now} beyond its cap")

    def _check_others(self, spec: PropSpec, behaviour: Behaviour, now: int, *, hand: bool) -> None:
        for name in spec.neighbours if not hand else ():
            starts = [run.began_ms for run in self.runs.get(name, ())]
            if any(now - self.show.gap_ms < at <= now for at in starts):
                self.faults.append(f"{spec.id} starts at {now} within the gap after {name}")
        for name in spec.voice_neighbours if behaviour.voice else ():
            if any(run.behaviour.voice for run in self._playing(name)):
                self.faults.append(f"{spec.id} talks at {now} over {name}")

    def _check_sums(self, spec: PropSpec, runs: list[Run], now: int) -> None:
        for index, load in enumerate(self.show.loads):
            total = sum(
                amount
                for name in self.runs
                for run in self._playing(name)
                for where, amount in run.behaviour.draws
                if where == index
            )
            mine = any(where == index for where, _ in runs[-1].behaviour.draws)
            if mine and total > load.limit:
                self.faults.append(f"{load.name} carries {total} at {now}")
        end = now + runs[-1].behaviour.duration_ms
        used = sum(
            max(0, min(run.motor_until_ms, end) - max(run.began_ms, end - TEN_MIN_MS))
            for run in runs
        )
        share = spec.duty_permille
        if share is not None and runs[-1].behaviour.motor_on_ms and used > share * 600:
            self.faults.append(f"the motor of {spec.id} runs {used} ms in ten minutes at {now}")

    def _playing(self, name: str) -> list[Run]:
        return [run for run in self.runs.get(name, ())[-1:] if run.ended_ms is None]

    def _spec(self, name: str) -> PropSpec:
        return next(each for each in self.show.props if each.id == name)
