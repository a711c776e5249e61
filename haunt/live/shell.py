"""The imperative shell round the arbiter: decide, carry out, hand to the journal; in this order.

It hands every event with its decisions to the journal after the cue is out, and knows no message.
"""

import logging
from collections.abc import Callable, Mapping
from typing import Any

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Effect, SendCue, TellStop
from haunt.core.events import Event
from haunt.live.alerts.watch import AlertSeen, Watch
from haunt.live.boards import Boards
from haunt.live.cues import CueWatch
from haunt.live.eyes import Eyes
from haunt.live.forecasts import Forecasts, PackSheet
from haunt.live.hands import Hands
from haunt.live.outgoing import Outgoing
from haunt.live.ports import (
    ActionRow,
    AlertsOut,
    Arrival,
    ChargeOf,
    Journal,
    JournalCounts,
    Outbox,
    OutCounts,
    Record,
)
from haunt.live.receipts import Receipts
from haunt.live.tally import Tally
from haunt.live.views import Labels
from haunt.live.why.because import because
from haunt.live.why.facts import Because

log = logging.getLogger("haunt.live")

BEAT_MS = 2000
INSIST_MS = 50
GAP_MS = 5000
CLOCK_STEP_MS = 250
WOKE_AFTER_MS = 2000
STOP_ANSWER_MS = 1000
HIT_AGE_MS = 5000


class Shell:
    """Everything that an event may change or set off; `RunningNight` says when."""

    def __init__(  # noqa: PLR0913 - ports, and what a restart brings
        self,
        arbiter: Arbiter,
        outbox: Outbox,
        journal: Journal,
        *,
        clock_id: str,
        number: int,
        charge_of: ChargeOf,
        sheets: Mapping[str, PackSheet],
        alerts_out: AlertsOut | None,
    ) -> None:
        self.arbiter = arbiter
        self.begun = False
        self.out = Outgoing(outbox, arbiter.night.show.id, clock_id)
        self.boards = Boards()
        self.cues = CueWatch()
        self.tally = Tally()
        self.hands = Hands()
        self.eyes = Eyes()
        self.receipts = Receipts(outbox.acknowledge)
        self.broken = ""
        self.show_version = 0
        self.stopped_by = ""
        self.stopped_wall_ms: int | None = None
        self.latch: Callable[[bool, int], None] = lambda _stopped, _epoch: None
        self._lost = self._next_gap_ms = 0
        self.changed: set[str] = set(arbiter.night.props)
        self.watch = Watch(arbiter.night, charge_of, Labels())
        self.alerts = self.watch.book
        self._outbox, self._journal = outbox, journal
        self._number, self._alerts_out = number, alerts_out
        self.forecasts = Forecasts(sheets)
        self.next_beat_ms = 0
        self._offset_ms: int | None = None
        self._last_seen_ms: int | None = None

    # --- deciding and carrying out

    def do(self, event: Event, **rows: Any) -> list[Effect]:
        """Decide, carry out, hand to the journal with the rows that came with it."""
        effects = self.decide(event)
        self.put(self.carry_out(event, effects, **rows))
        return effects

    def ring(self, mono_ms: int) -> None:
        """Run the arbiter's timers; kept as an event only where something came of it."""
        tick = events.Ticked(mono_ms, self.wall_of(mono_ms))
        effects = self.decide(tick)
        if effects:
            self.put(self.carry_out(tick, effects))
        else:
            self.changed |= self.arbiter.night.touched

    def decide(self, event: Event) -> list[Effect]:
        """A bug of ours stops the show and says so; the server stays up."""
        if self.broken:
            return []
        try:
            return self.arbiter.handle(event)
        except Exception as bug:  # noqa: BLE001 - whatever it is, nothing may move any more
            self.fail(bug)
            return []

    def fail(self, bug: Exception) -> None:
        """Stop the show, latched, and keep the first words for the page; once is enough."""
        if self.broken:
            return
        self.broken = f"{type(bug).__name__}: {bug} (after event {self._number})"
        night = self.arbiter.night
        night.stopped = True
        night.epoch += 1
        self.tell_stop(TellStop(stopped=True, epoch=night.epoch, at_ms=night.now_ms))
        self.changed.update(night.props)

    def carry_out(self, event: Event, effects: list[Effect], **rows: Any) -> Record:
        """Send first, write down after."""
        decisions, cues = [], []
        for effect in effects:
            if type(effect) is Decision:
                decisions.append(effect)
                if effect.prop is not None:
                    self.changed.add(effect.prop)
            elif type(effect) is SendCue:
                self._send(effect)
                cues.append(effect)
            elif type(effect) is TellStop:
                self.tell_stop(effect)
                self._name_button(event, effect)
        self.changed |= self.arbiter.night.touched
        whys = tuple(self._why(each) for each in decisions)
        for decision, why in zip(decisions, whys, strict=True):
            self.tally.note(decision, why)
        return self.record(
            event.mono_ms,
            event=event,
            decisions=tuple(decisions),
            because=whys,
            cues=tuple(cues),
            **rows,
        )

    def note_hit(self, event: events.Motion) -> None:
        """Let people see what a sensor saw; what waited on its board says nothing of now."""
        sensor = self.arbiter.night.sensors.get(event.sensor)
        if sensor is None or sensor.spec.board != event.board or event.age_ms > HIT_AGE_MS:
            return
        self.eyes.hit(event.sensor, event.mono_ms, event.wall_ms)
        self.changed.add(event.sensor)

    def note_order(self, event: Event, action: ActionRow) -> None:
        """Before it is done: what it refuses is refused under this name."""
        if isinstance(event, events.WalkTest) and event.on and not self.arbiter.night.walk_test:
            self.eyes.begin()
        self.hands.note(action.what, action.about, action.by, event.wall_ms)

    def _why(self, decision: Decision) -> Because | None:
        if decision.reason is None:
            return None
        try:
            return because(self.arbiter.night, decision, self.hands)
        except Exception:  # for want of a word nobody stops a show: it is said with less
            log.exception("no facts for %s", decision)
            return None

    def _name_button(self, event: Event, stop: TellStop) -> None:
        """A stop by a button on a board has nobody's name but the button's."""
        if stop.stopped and isinstance(event, events.Motion):
            self.stopped_by, self.stopped_wall_ms = f"button {event.sensor}", event.wall_ms
            self.hands.note("stop", "", self.stopped_by, event.wall_ms)

    # --- what goes out

    def say_hello(self, mono_ms: int) -> None:
        """Stop first, then the beat: nothing of an older epoch can play after."""
        night = self.arbiter.night
        self.tell_stop(TellStop(night.stopped, night.epoch, mono_ms))
        self.beat(mono_ms)
        self.out.forget_settings()
        self.tell_settings()

    def tell_settings(self) -> None:
        for board in self.out.settings(self.arbiter.night, self.show_version):
            self.boards.of(board).settings = self.show_version

    def _send(self, cue: SendCue) -> None:
        self.out.cue(cue)
        self.cues.sent(cue)

    def tell_stop(self, stop: TellStop) -> None:
        self.out.stop(stop)
        self.latch(stop.stopped, stop.epoch)

    def insist(self, mono_ms: int) -> None:
        """Say again what found no room in the line, and a stop that a board did not confirm."""
        if self.out.is_stop_untold or self.deaf(mono_ms):
            night = self.arbiter.night
            self.out.repeat_stop(TellStop(night.stopped, night.epoch, mono_ms))

    def beat(self, mono_ms: int) -> None:
        self.next_beat_ms = mono_ms + BEAT_MS
        self.out.beat(mono_ms, self.wall_of(mono_ms), self.arbiter.night.epoch)

    def acknowledge(self, arrival: Arrival) -> None:
        if arrival.receipt is not None:
            self._outbox.acknowledge(arrival.receipt)

    # --- the journal, alerts, clocks

    def record(self, mono_ms: int, **rows: Any) -> Record:
        self._number += 1
        return Record(
            self._number, mono_ms, self.wall_of(mono_ms), show_version=self.show_version, **rows
        )

    def put(self, record: Record) -> None:
        if not self._journal.put(record) and record.has_motion:
            self.receipts.refused(record.number)

    def seen(self, event: AlertSeen, action: ActionRow) -> None:
        if self.alerts.seen(event.alert, event.by, event.wall_ms):
            self.put(self.record(event.mono_ms, action=action))
            self.tell_alerts(event.mono_ms)

    def look_ahead(self, mono_ms: int) -> None:
        """Twice a minute: which packs will not last till close."""
        if self.begun and self.forecasts.is_due(mono_ms):
            found = self.forecasts.look(self.arbiter.night, mono_ms, self.alerts)
            self.alerts.settle("forecast", found, mono_ms, self.wall_of(mono_ms))

    def has_gap(self, counts: JournalCounts, mono_ms: int) -> bool:
        """Nothing rebuilds what the journal lost, a stop perhaps, but a snapshot of now."""
        if counts.lost == self._lost or counts.failing or mono_ms < self._next_gap_ms:
            return False
        self._lost, self._next_gap_ms = counts.lost, mono_ms + GAP_MS
        return True

    def tell_alerts(self, mono_ms: int) -> None:
        for alert, state in self.alerts.news():
            record = self.record(mono_ms)
            alert.id = alert.id or record.number
            record.alert = alert.row(state)
            self.put(record)
            if self._alerts_out is not None:
                self._alerts_out.told(record.alert, record.wall_ms)

    def alerts_out(self) -> OutCounts:
        return self._alerts_out.counts() if self._alerts_out is not None else OutCounts()

    def relabel(self, labels: Labels) -> None:
        """Names, places and circuits changed, or the show did."""
        now = self.arbiter.night.now_ms
        self.watch.wire(self.arbiter.night, labels, now, self.wall_of(now))

    def deaf(self, mono_ms: int) -> tuple[str, ...]:
        """Boards that have had their second and did not say that they are still."""
        told = self.out.stop_told_ms
        if not self.arbiter.night.stopped or told is None or mono_ms - told < STOP_ANSWER_MS:
            return ()
        return self.boards.deaf(self.arbiter.night)

    def wall_of(self, mono_ms: int) -> int:
        """UTC of a steady instant: one offset until the wall clock is seen to step."""
        return mono_ms + (self._offset_ms or 0)

    def mind_clocks(self, mono_ms: int, wall_ms: int) -> None:
        """Notice a wall clock that was set, and timers missed while the process was suspended."""
        offset, last = wall_ms - mono_ms, self._last_seen_ms
        self._last_seen_ms = mono_ms
        if self._offset_ms is None:
            self._offset_ms = offset
        elif abs(offset - self._offset_ms) >= CLOCK_STEP_MS:
            self._offset_ms = offset
            if self.begun:
                self.do(events.ClockStepped(mono_ms, wall_ms))
        if self.begun and last is not None and mono_ms - last > WOKE_AFTER_MS + BEAT_MS:
            self.do(events.Woke(mono_ms, wall_ms))
