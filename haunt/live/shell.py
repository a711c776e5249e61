"""The imperative shell round the arbiter: decide, carry out, hand to the journal; in this order.

It hands every event with its decisions to the journal after the cue is out, and knows no message.
"""

import logging
from collections.abc import Callable
from typing import Any

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Effect, SendCue, TellStop
from haunt.core.events import Event
from haunt.live.alerts.watch import AlertSeen, Watch
from haunt.live.alone import settings_of
from haunt.live.boards import Boards
from haunt.live.cues import CueWatch
from haunt.live.eyes import Eyes
from haunt.live.forecasts import Forecasts
from haunt.live.hands import Hands
from haunt.live.ports import (
    ActionRow,
    AlertsOut,
    Arrival,
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
from haunt.wire.payloads import Beat, Cue, Settings, Stop, encode
from haunt.wire.topics import QOS, RETAINED, Topics

log = logging.getLogger("haunt.live")

BEAT_MS = 2000
INSIST_MS = 50
GAP_MS = 5000
CLOCK_STEP_MS = 250
CUE_TTL_MS = 1500
WOKE_AFTER_MS = 2000
STOP_ANSWER_MS = 1000
HIT_AGE_MS = 5000


class Shell:
    """Everything that an event may change or set off; `RunningNight` says when."""

    begun = False

    def __init__(
        self,
        arbiter: Arbiter,
        outbox: Outbox,
        journal: Journal,
        clock_id: str,
        number: int,
        charge_of: Callable[[str, int], int | None],
    ) -> None:
        self.arbiter = arbiter
        self.topics = Topics(arbiter.night.show.id)
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
        self.stop_told_ms: int | None = None
        self.known_stop = Stop(stopped=False, epoch=0, at_ms=0)  # before the broker says its own
        self.latch: Callable[[bool, int], None] = lambda _stopped, _epoch: None
        self.epoch_floor = 0
        """The first start of this run rises above it: no earlier controller's cue can play then."""
        self._is_stop_untold = False
        self._settings_told: dict[str, bytes] = {}
        self._lost = self._next_gap_ms = 0
        self.changed: set[str] = set(arbiter.night.props)
        self.watch = Watch(arbiter.night, charge_of, Labels())
        self.alerts = self.watch.book
        self._outbox, self._journal = outbox, journal
        self._clock_id, self._number, self._charge_of = clock_id, number, charge_of
        self._out: AlertsOut | None = None
        self.forecasts = Forecasts({})
        self._next_beat_ms = 0
        self._offset_ms: int | None = None
        self._last_seen_ms: int | None = None

    # --- deciding and carrying out

    def _do(self, event: Event, **rows: Any) -> list[Effect]:
        effects = self._guard(lambda: self.arbiter.handle(event))
        self._put(self._carry_out(event, effects, **rows))
        return effects

    def _ring(self, mono_ms: int) -> None:
        """Run the arbiter's timers; kept as an event only where something came of it."""
        tick = events.Ticked(mono_ms, self.wall_of(mono_ms))
        effects = self._guard(lambda: self.arbiter.handle(tick))
        if effects:
            self._put(self._carry_out(tick, effects))
        else:
            self.changed |= self.arbiter.night.touched

    def _guard(self, decide: Callable[[], list[Effect]]) -> list[Effect]:
        """A bug of ours stops the show and says so; the server stays up."""
        if self.broken:
            return []
        try:
            return decide()
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
        self._tell_stop(TellStop(stopped=True, epoch=night.epoch, at_ms=night.now_ms))
        self.changed.update(night.props)

    def _carry_out(self, event: Event, effects: list[Effect], **rows: Any) -> Record:
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
                self._tell_stop(effect)
                self._name_button(event, effect)
        self.changed |= self.arbiter.night.touched
        whys = tuple(self._why(each) for each in decisions)
        for decision, why in zip(decisions, whys, strict=True):
            self.tally.note(decision, why)
        return self._record(
            event.mono_ms,
            event=event,
            decisions=tuple(decisions),
            because=whys,
            cues=tuple(cues),
            **rows,
        )

    def _known(self, board: str, mono_ms: int) -> bool:
        if board in self.arbiter.night.boards:
            return True
        self.tally.unknown_ids += 1
        self.watch.stranger(board, mono_ms)
        return False

    def _note_hit(self, event: events.Motion) -> None:
        """Let people see what a sensor saw; what waited on its board says nothing of now."""
        sensor = self.arbiter.night.sensors.get(event.sensor)
        if sensor is None or sensor.spec.board != event.board or event.age_ms > HIT_AGE_MS:
            return
        self.eyes.hit(event.sensor, event.mono_ms, event.wall_ms)
        self.changed.add(event.sensor)

    def _note_trip(self, cue: str, state: str, mono_ms: int) -> None:
        moved = self.cues.reported(cue, state, mono_ms)
        if moved is not None:
            self.changed.add(moved)

    def _note_order(self, event: Event, action: ActionRow) -> None:
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

    def _say_hello(self, mono_ms: int) -> None:
        """Stop first, then the beat: nothing of an older epoch can play after."""
        night = self.arbiter.night
        self._tell_stop(TellStop(night.stopped, night.epoch, mono_ms))
        self._beat(mono_ms)
        self._settings_told.clear()
        self._tell_settings()

    def _tell_settings(self) -> None:
        """Tell each board, kept by the broker, what to do alone; again whenever that changes."""
        night = self.arbiter.night
        still = encode(Settings(version=self.show_version, mode="still"))
        for name, board in night.boards.items():
            may = any(prop.spec.alone is not None for prop in board.props)
            payload = encode(settings_of(night, board, self.show_version)) if may else still
            if self._settings_told.get(name) == payload:
                continue
            told = self._outbox.publish(
                self.topics.settings(name), payload, qos=QOS["settings"], retain=True
            )
            if told:
                self._settings_told[name] = payload
                self.boards.of(name).settings = self.show_version

    def _send(self, cue: SendCue) -> None:
        payload = encode(
            Cue.model_construct(
                cue=cue.cue,
                epoch=cue.epoch,
                prop=cue.prop,
                behaviour=cue.behaviour,
                max_ms=cue.max_ms,
                ttl_ms=CUE_TTL_MS,
                sent_ms=cue.sent_ms,
                line=cue.line,
            )
        )
        sent = self._outbox.publish(
            self.topics.cue(cue.board), payload, qos=QOS["cue"], retain=False
        )
        if not sent:
            self.tally.unsent_cues += 1
        self.cues.sent(cue)

    def _tell_stop(self, stop: TellStop) -> None:
        self.stop_told_ms = stop.at_ms if stop.stopped else None
        self._publish_stop(stop)
        self.latch(stop.stopped, stop.epoch)

    def _publish_stop(self, stop: TellStop) -> None:
        payload = encode(Stop(stopped=stop.stopped, epoch=stop.epoch, at_ms=stop.at_ms))
        self._is_stop_untold = not self._outbox.publish(
            self.topics.stop, payload, qos=QOS["stop"], retain="stop" in RETAINED
        )

    def _insist(self, mono_ms: int) -> None:
        """Say again what found no room in the line, and a stop that a board did not confirm."""
        if self._is_stop_untold or self.deaf(mono_ms):
            night = self.arbiter.night
            self._publish_stop(TellStop(night.stopped, night.epoch, mono_ms))

    def _beat(self, mono_ms: int) -> None:
        self._next_beat_ms = mono_ms + BEAT_MS
        payload = encode(
            Beat(
                clock=self._clock_id,
                now_ms=mono_ms,
                wall_ms=max(0, self.wall_of(mono_ms)),  # a clock may be set to before 1970
                epoch=self.arbiter.night.epoch,
            )
        )
        self._outbox.publish(self.topics.beat, payload, qos=QOS["beat"], retain=False)

    def _acknowledge(self, arrival: Arrival) -> None:
        if arrival.receipt is not None:
            self._outbox.acknowledge(arrival.receipt)

    # --- the journal, alerts, clocks

    def _record(self, mono_ms: int, **rows: Any) -> Record:
        self._number += 1
        return Record(
            self._number, mono_ms, self.wall_of(mono_ms), show_version=self.show_version, **rows
        )

    def _put(self, record: Record) -> None:
        if not self._journal.put(record) and record.has_motion:
            self.receipts.refused(record.number)

    def _seen(self, event: AlertSeen, action: ActionRow) -> None:
        if self.alerts.seen(event.alert, event.by, event.wall_ms):
            self._put(self._record(event.mono_ms, action=action))
            self._tell_alerts(event.mono_ms)

    def _look_ahead(self, mono_ms: int) -> None:
        """Twice a minute: which packs will not last till close."""
        if self.begun and self.forecasts.is_due(mono_ms):
            found = self.forecasts.look(self.arbiter.night, mono_ms, self.alerts)
            self.alerts.settle("forecast", found, mono_ms, self.wall_of(mono_ms))

    def _has_gap(self, counts: JournalCounts, mono_ms: int) -> bool:
        """Nothing rebuilds what the journal lost, a stop perhaps, but a snapshot of now."""
        if counts.lost == self._lost or counts.failing or mono_ms < self._next_gap_ms:
            return False
        self._lost, self._next_gap_ms = counts.lost, mono_ms + GAP_MS
        return True

    def _tell_alerts(self, mono_ms: int) -> None:
        for alert, state in self.alerts.news():
            record = self._record(mono_ms)
            alert.id = alert.id or record.number
            record.alert = alert.row(state)
            self._put(record)
            if self._out is not None:
                self._out.told(record.alert, record.wall_ms)

    def alerts_out(self) -> OutCounts:
        return self._out.counts() if self._out is not None else OutCounts()

    def relabel(self, labels: Labels) -> None:
        """Names, places and circuits changed, or the show did."""
        now = self.arbiter.night.now_ms
        self.watch.wire(self.arbiter.night, labels, now, self.wall_of(now))

    def deaf(self, mono_ms: int) -> tuple[str, ...]:
        """Boards that have had their second and did not say that they are still."""
        told = self.stop_told_ms
        if not self.arbiter.night.stopped or told is None or mono_ms - told < STOP_ANSWER_MS:
            return ()
        return self.boards.deaf(self.arbiter.night)

    def wall_of(self, mono_ms: int) -> int:
        """UTC of a steady instant: one offset until the wall clock is seen to step."""
        return mono_ms + (self._offset_ms or 0)

    def _mind_clocks(self, mono_ms: int, wall_ms: int) -> None:
        """Notice a wall clock that was set, and timers missed while the process was suspended."""
        offset, last = wall_ms - mono_ms, self._last_seen_ms
        self._last_seen_ms = mono_ms
        if self._offset_ms is None:
            self._offset_ms = offset
        elif abs(offset - self._offset_ms) >= CLOCK_STEP_MS:
            self._offset_ms = offset
            if self.begun:
                self._do(events.ClockStepped(mono_ms, wall_ms))
        if self.begun and last is not None and mono_ms - last > WOKE_AFTER_MS + BEAT_MS:
            self._do(events.Woke(mono_ms, wall_ms))
