"""The imperative shell round the arbiter: gather, decide, carry out. One caller, no threads here.

It turns messages into events, effects into messages, and hands every event with its decisions to
the journal after the cue is out.
"""

from collections.abc import Callable
from typing import Any

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision, Effect, SendCue, TellStop
from haunt.core.events import Event
from haunt.live.boards import Boards
from haunt.live.cues import CueWatch
from haunt.live.ports import (
    ActionRow,
    AlertRow,
    Arrival,
    HealthRow,
    Journal,
    LinkState,
    Outbox,
    Record,
    ReportRow,
)
from haunt.live.receipts import Receipts
from haunt.live.tally import Tally
from haunt.wire.errors import BoardSpokeNonsense
from haunt.wire.payloads import (
    Beat,
    Cue,
    Gone,
    Health,
    Here,
    Motion,
    Report,
    Settings,
    Stop,
    decode,
    encode,
)
from haunt.wire.topics import QOS, RETAINED, BoardTopic, Topics

BEAT_MS = 2000
SWEEP_MS = 1000
RETAINED_STOP_WAIT_MS = 300
CLOCK_STEP_MS = 250
CUE_TTL_MS = 1500
EARLY_MAX = 20_000
SNAPSHOT_EVERY_MS = 60_000
AGE_MAX_MS = 86_400_000
WOKE_AFTER_MS = 2000


class RunningNight:
    """One night, live or simulated.

    `clock_id` is new at each start; `known_clocks` are those of earlier starts of this show, whose
    steady time went on into ours.
    """

    def __init__(  # noqa: PLR0913 - two ports, and what a restart brings
        self,
        arbiter: Arbiter,
        outbox: Outbox,
        journal: Journal,
        *,
        clock_id: str,
        known_clocks: frozenset[str] = frozenset(),
        number: int = 0,
        charge_of: Callable[[str, int], int | None] = lambda _board, _mv: None,
    ) -> None:
        self.arbiter = arbiter
        self.topics = Topics(arbiter.night.show.id)
        self.boards = Boards()
        self.cues = CueWatch()
        self.tally = Tally()
        self.receipts = Receipts(outbox.acknowledge)
        self.broken = ""
        self.show_version = 0
        self.stopped_by = ""
        self.stopped_wall_ms: int | None = None
        self.stop_told_ms: int | None = None
        self.changed: set[str] = set(arbiter.night.props)
        self.alerts: dict[str, tuple[int, str]] = {}
        self.link_up = False
        self.begun = False
        self._outbox, self._journal = outbox, journal
        self._clock_id, self._clocks = clock_id, known_clocks | {clock_id}
        self._number = number
        self._charge_of = charge_of
        self._early: list[Arrival] = []
        self._begin_at_ms: int | None = None
        self._retained_stop = Stop(stopped=False, epoch=0, at_ms=0)
        self._next_beat_ms = self._next_snapshot_ms = self._next_sweep_ms = 0
        self._offset_ms: int | None = None
        self._last_seen_ms: int | None = None

    # --- what comes in

    def receive(self, arrival: Arrival) -> None:
        """Take one message. Nonsense is counted and changes nothing."""
        if not self.begun:
            self._receive_early(arrival)
            return
        topic = self.topics.parse(arrival.topic)
        if topic is None:
            self.tally.unknown_ids += 1
            self._acknowledge(arrival)
            return
        try:
            keep = self._hear(topic, arrival)
        except BoardSpokeNonsense as nonsense:
            self.tally.nonsense(topic.board, str(nonsense), nonsense.kind)
            keep = False
        if not keep:
            self._acknowledge(arrival)

    def link(self, state: LinkState) -> None:
        """Before the first motion is judged the retained stop must be known."""
        self.link_up = state.up
        if not self.begun:
            self._begin_at_ms = state.mono_ms + RETAINED_STOP_WAIT_MS if state.up else None
            return
        self._do(events.LinkChanged(state.mono_ms, self.wall_of(state.mono_ms), state.up))
        self.changed.update(self.arbiter.night.props)
        if state.up:
            self._say_hello(state.mono_ms)

    def order(self, event: Event, action: ActionRow) -> tuple[Decision, ...]:
        """Do what a person asks, log it under their name, and return what was decided."""
        if isinstance(event, events.Stopped) and not self.arbiter.night.stopped:
            self.stopped_by, self.stopped_wall_ms = action.by, event.wall_ms
        if isinstance(event, events.ShowChanged):
            self.show_version = event.version
        effects = self._do(event, action=action)
        self.changed.update(self.arbiter.night.props)
        return tuple(each for each in effects if type(each) is Decision)

    def advance(self, mono_ms: int, wall_ms: int) -> None:
        """Run what is due: the arbiter's timers, beats, silences, unanswered cues, receipts."""
        self._mind_clocks(mono_ms, wall_ms)
        if not self.begun:
            if self._begin_at_ms is not None and mono_ms >= self._begin_at_ms:
                self._begin(mono_ms)
            return
        due = self.arbiter.next_due_ms()
        if due is not None and due <= mono_ms and not self.broken:
            self._ring(mono_ms)
        if mono_ms >= self._next_beat_ms:
            self._beat(mono_ms)
        if mono_ms >= self._next_sweep_ms:
            self._next_sweep_ms = mono_ms + SWEEP_MS
            for board in self.boards.presence.silent(mono_ms):
                self._board_gone(board, mono_ms)
        for cue, board, prop in self.cues.unanswered(mono_ms):
            self.changed.add(prop)
            self._alert(f"unconfirmed {prop}", f"{board} did not confirm cue {cue}", mono_ms)
        self.receipts.expire(mono_ms)
        if mono_ms >= self._next_snapshot_ms:
            self.save(mono_ms)

    def next_due_ms(self, mono_ms: int) -> int:
        """Return when `advance` wants to be called at the latest."""
        if not self.begun:
            return self._begin_at_ms if self._begin_at_ms is not None else mono_ms + BEAT_MS
        due = [
            self._next_beat_ms,
            self.arbiter.next_due_ms() if not self.broken else None,
            self._next_sweep_ms,
            self.cues.next_due_ms(),
            self.receipts.next_due_ms(),
        ]
        return min(each for each in due if each is not None)

    def save(self, mono_ms: int) -> None:
        """Hand a snapshot to the journal, so that a restart has little to replay."""
        self._next_snapshot_ms = mono_ms + SNAPSHOT_EVERY_MS
        if not self.broken:
            self._put(self._record(mono_ms, snapshot=self.arbiter.snapshot()))

    # --- the beginning

    def _receive_early(self, arrival: Arrival) -> None:
        topic = self.topics.parse(arrival.topic)
        if topic is not None and topic.kind == "stop":
            try:
                self._retained_stop = decode("stop", arrival.payload)
            except BoardSpokeNonsense as nonsense:
                self.tally.nonsense(topic.board, str(nonsense), nonsense.kind)
            self._acknowledge(arrival)
            self._begin_at_ms = arrival.mono_ms
        elif len(self._early) < EARLY_MAX:
            self._early.append(arrival)
        else:
            self.tally.dropped += 1
            self._acknowledge(arrival)

    def _begin(self, mono_ms: int) -> None:
        stop = self._retained_stop
        self.begun = True
        wall_ms = self.wall_of(mono_ms)
        self._do(events.Started(mono_ms, wall_ms, stop.epoch, stop.stopped, link_up=True))
        for name, board in self.arbiter.night.boards.items():
            if board.here:
                self.boards.presence.recall(name, board.boot, mono_ms)
        if self.arbiter.night.stopped:
            self.stopped_by, self.stopped_wall_ms = "before the restart", wall_ms
        self._say_hello(mono_ms)
        self._next_snapshot_ms = mono_ms
        early, self._early = self._early, []
        for arrival in early:
            self.receive(arrival)

    def _say_hello(self, mono_ms: int) -> None:
        """Stop first, then the beat: nothing of an older epoch can play after."""
        night = self.arbiter.night
        self._tell_stop(TellStop(night.stopped, night.epoch, mono_ms))
        self._beat(mono_ms)
        for board in night.boards:
            payload = encode(Settings(version=self.show_version, mode="still"))
            self._outbox.publish(
                self.topics.settings(board), payload, qos=QOS["settings"], retain=True
            )

    # --- messages

    def _hear(self, topic: BoardTopic, arrival: Arrival) -> bool:
        """Handle one message; True where its receipt waits for the journal."""
        board, kind, payload = topic.board, topic.kind, arrival.payload
        if kind == "motion":
            return self._motion(board, decode("motion", payload), arrival)
        if kind == "presence":
            self._presence(board, decode("presence", payload), arrival)
        elif kind == "health":
            self._health(board, decode("health", payload), arrival)
        elif kind == "report":
            self._report(board, decode("report", payload), arrival)
        elif kind == "stop":
            self._foreign_stop(decode("stop", payload), arrival)
        else:  # our own words, or a broker that lets others speak for us
            self.tally.unknown_ids += 1
        return False

    def _motion(self, board: str, motion: Motion, arrival: Arrival) -> bool:
        now = arrival.mono_ms
        self._heard(board, motion.boot, now)
        age_ms = motion.age_ms
        if motion.clock in self._clocks and motion.at_ms is not None:
            age_ms = max(age_ms, now - motion.at_ms)
        event = events.Motion(
            now,
            self.wall_of(now),
            board,
            motion.sensor,
            motion.boot,
            motion.seq,
            min(age_ms, AGE_MAX_MS),
        )
        return self._judge_motion(event, arrival)

    def _judge_motion(self, event: events.Motion, arrival: Arrival) -> bool:
        duplicates = self.arbiter.night.duplicates
        effects = self._guard(lambda: self.arbiter.handle(event))
        if self.arbiter.night.duplicates > duplicates:
            self.tally.duplicates += 1
            if arrival.receipt is None:
                return False
            self.receipts.again(events.key_of(event), arrival.receipt)
            return True
        self.tally.motions += 1
        self.boards.count_motion(event.board, event.boot)
        record = self._carry_out(event, effects)
        self.receipts.expect(record.number, events.key_of(event), arrival.receipt, event.mono_ms)
        self._put(record)
        return True

    def _presence(self, board: str, presence: Here | Gone, arrival: Arrival) -> None:
        now = arrival.mono_ms
        if not self._known(board):
            return
        if isinstance(presence, Gone):
            if self.boards.presence.gone(board, presence.boot, presence.conn):
                self._board_gone(board, now)
            return
        if not self.boards.presence.here(board, presence.boot, presence.conn, now):
            return
        self.boards.hello(board, presence, arrival.wall_ms)
        wall_ms = self.wall_of(now)
        self._do(
            events.BoardHere(now, wall_ms, board, presence.boot, presence.up_ms, presence.reset)
        )
        self._clear(f"lost {board}", now)
        self._beat(now)

    def _health(self, board: str, health: Health, arrival: Arrival) -> None:
        now = arrival.mono_ms
        if not self._known(board):
            return
        self._heard(board, health.boot, now)
        charge = None
        if health.battery_mv is not None:
            charge = self._charge_of(board, health.battery_mv)
        news = self.boards.note_health(board, health, charge, arrival.wall_ms)
        row = HealthRow(
            board,
            health.boot,
            health.up_ms,
            health.battery_mv,
            charge,
            health.rssi,
            health.reset or "unknown",
            dict(health.starts),
            dict(health.motions),
        )
        self.changed.update(self.boards.props_of(self.arbiter.night, board))
        if not news:
            self._put(self._record(now, health=row))
            return
        event = events.BoardHealth(
            now,
            self.wall_of(now),
            board,
            health.boot,
            health.up_ms,
            charge,
            tuple(sorted(health.active.items())),
            health.reset or "unknown",
        )
        self._do(event, health=row)

    def _report(self, board: str, report: Report, arrival: Arrival) -> None:
        now = arrival.mono_ms
        if not self._known(board):
            return
        self._heard(board, report.boot, now)
        why = report.why or ""
        prop = self.cues.answered(report.cue)
        if prop is not None:
            self.changed.add(prop)
            self._clear(f"unconfirmed {prop}", now)
        self._do(
            events.Reported(
                now, self.wall_of(now), board, report.cue, report.state, why, report.epoch or 0
            ),
            report=ReportRow(board, report.cue, report.boot, report.state, why),
        )

    def _foreign_stop(self, stop: Stop, arrival: Arrival) -> None:
        """Our own comes back; one of a higher epoch was published by somebody else."""
        if stop.epoch > self.arbiter.night.epoch:
            self.tally.unknown_ids += 1
            now = arrival.mono_ms
            self._do(events.Reported(now, self.wall_of(now), "", "", "refused", "", stop.epoch))

    def _heard(self, board: str, boot: str, mono_ms: int) -> None:
        if board not in self.arbiter.night.boards:
            return
        if self.boards.presence.heard(board, boot, mono_ms):
            self._do(events.BoardHere(mono_ms, self.wall_of(mono_ms), board, boot))
            self._clear(f"lost {board}", mono_ms)

    def _known(self, board: str) -> bool:
        if board in self.arbiter.night.boards:
            return True
        self.tally.unknown_ids += 1
        return False

    def _board_gone(self, board: str, mono_ms: int) -> None:
        self._do(events.BoardGone(mono_ms, self.wall_of(mono_ms), board))
        self._alert(f"lost {board}", f"Board {board} is lost: check its supply", mono_ms)

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
        """Stop the show, latched, and keep the first words for the page."""
        self.broken = self.broken or f"{type(bug).__name__}: {bug} (after event {self._number})"
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
                self.tally.note(effect)
            elif type(effect) is SendCue:
                self._send(effect)
                cues.append(effect)
            elif type(effect) is TellStop:
                self._tell_stop(effect)
        self.changed |= self.arbiter.night.touched
        return self._record(
            event.mono_ms, event=event, decisions=tuple(decisions), cues=tuple(cues), **rows
        )

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
        payload = encode(Stop(stopped=stop.stopped, epoch=stop.epoch, at_ms=stop.at_ms))
        self._outbox.publish(self.topics.stop, payload, qos=QOS["stop"], retain="stop" in RETAINED)

    def _beat(self, mono_ms: int) -> None:
        self._next_beat_ms = mono_ms + BEAT_MS
        payload = encode(
            Beat(
                clock=self._clock_id,
                now_ms=mono_ms,
                wall_ms=self.wall_of(mono_ms),
                epoch=self.arbiter.night.epoch,
            )
        )
        self._outbox.publish(self.topics.beat, payload, qos=QOS["beat"], retain=False)

    # --- the journal, alerts, clocks

    def _record(self, mono_ms: int, **rows: Any) -> Record:
        self._number += 1
        return Record(
            self._number, mono_ms, self.wall_of(mono_ms), show_version=self.show_version, **rows
        )

    def _put(self, record: Record) -> None:
        if not self._journal.put(record) and record.has_motion:
            self.receipts.refused(record.number)

    def _alert(self, key: str, text: str, mono_ms: int) -> None:
        if key not in self.alerts:
            self.alerts[key] = (self.wall_of(mono_ms), text)
            self._put(self._record(mono_ms, alert=AlertRow(key, "raised", text)))

    def _clear(self, key: str, mono_ms: int) -> None:
        found = self.alerts.pop(key, None)
        if found is not None:
            self._put(self._record(mono_ms, alert=AlertRow(key, "cleared", found[1])))

    def _acknowledge(self, arrival: Arrival) -> None:
        if arrival.receipt is not None:
            self._outbox.acknowledge(arrival.receipt)

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
