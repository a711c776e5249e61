"""The running night: it turns messages and orders into events and minds what is due.

One caller, no threads here. What comes of an event is carried out in shell.py.
"""

from collections.abc import Callable, Mapping

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision
from haunt.core.events import Event
from haunt.live.alerts.book import kept_alerts
from haunt.live.alerts.rules import House
from haunt.live.alerts.unsteady import HOLD_MS, to_hold
from haunt.live.alerts.watch import AlertSeen
from haunt.live.forecasts import Forecasts, PackSheet
from haunt.live.ports import (
    ActionRow,
    AlertShelf,
    AlertsOut,
    Arrival,
    HealthRow,
    Journal,
    LinkState,
    Outbox,
    ReportRow,
)
from haunt.live.shell import BEAT_MS, INSIST_MS, Shell
from haunt.wire.errors import BoardSpokeNonsense
from haunt.wire.payloads import (
    Gone,
    Health,
    Here,
    Motion,
    Report,
    Stop,
    decode,
)
from haunt.wire.topics import BoardTopic

SWEEP_MS = 1000
ROOM_EVERY_MS = 10_000
RETAINED_STOP_WAIT_MS = 300
EARLY_MAX = 20_000
SNAPSHOT_EVERY_MS = 60_000
AGE_MAX_MS = 86_400_000


class RunningNight(Shell):
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
        shelf: AlertShelf | None = None,
        sheets: Mapping[str, PackSheet] | None = None,
        out: AlertsOut | None = None,
    ) -> None:
        super().__init__(arbiter, outbox, journal, clock_id, number, charge_of)
        self._out = out
        self.forecasts = Forecasts(sheets or {})
        self.link_up = False
        self.begun = False
        self._clocks, self._shelf = known_clocks | {clock_id}, shelf
        self._kept = shelf.open_alerts() if shelf is not None else []
        self._free_mb: int | None = None
        self._early: list[Arrival] = []
        self._topics_read: dict[str, BoardTopic] = {}
        self._begin_at_ms: int | None = None
        self._next_snapshot_ms = self._next_sweep_ms = self._next_room_ms = 0

    # --- what comes in

    def receive(self, arrival: Arrival) -> None:
        """Take one message. Nonsense is counted and changes nothing."""
        if not self.begun:
            self._receive_early(arrival)
            return
        topic = self._topics_read.get(arrival.topic) or self._read_topic(arrival.topic)
        if topic is None:
            self.tally.unknown_ids += 1
            self._acknowledge(arrival)
            return
        try:
            keep = self._hear(topic, arrival)
        except BoardSpokeNonsense as nonsense:
            self.tally.nonsense(topic.board, str(nonsense), nonsense.kind)
            self.watch.nonsense(topic.board, str(nonsense), arrival.mono_ms)
            keep = False
        if not keep:
            self._acknowledge(arrival)

    def _read_topic(self, name: str) -> BoardTopic | None:
        """Those of our own boards are few and come again and again."""
        topic = self.topics.parse(name)
        if topic is not None and topic.board in self.arbiter.night.boards:
            self._topics_read[name] = topic
        return topic

    def link(self, state: LinkState) -> None:
        """Before the first motion is judged the retained stop must be known."""
        self.link_up = state.up
        self.watch.link(state.mono_ms, up=state.up)
        self.hands.link(state.wall_ms, up=state.up)
        if not self.begun:
            self._begin_at_ms = state.mono_ms + RETAINED_STOP_WAIT_MS if state.up else None
            return
        self._do(events.LinkChanged(state.mono_ms, self.wall_of(state.mono_ms), state.up))
        self.changed.update(self.arbiter.night.props)
        if state.up:
            self._say_hello(state.mono_ms)

    def order(self, event: Event, action: ActionRow) -> tuple[Decision, ...]:
        """Do what a person asks, log it under their name, and return what was decided."""
        if isinstance(event, AlertSeen):
            self._seen(event, action)
            return ()
        if isinstance(event, events.Stopped) and not self.arbiter.night.stopped:
            self.stopped_by, self.stopped_wall_ms = action.by, event.wall_ms
        if isinstance(event, events.ShowChanged):
            self.show_version = event.version
        self._note_order(event, action)
        effects = self._do(event, action=action)
        if isinstance(event, events.ShowChanged):
            self.relabel(self.watch.labels)
        self.changed.update(self.arbiter.night.props)
        return tuple(each for each in effects if type(each) is Decision)

    def advance(self, mono_ms: int, wall_ms: int) -> None:
        """Run what is due: the arbiter's timers, beats, silences, unanswered cues, receipts."""
        self._mind_clocks(mono_ms, wall_ms)
        if mono_ms >= self._next_sweep_ms:
            self._sweep(mono_ms)
        if not self.begun:
            if self._begin_at_ms is not None and mono_ms >= self._begin_at_ms:
                self._begin(mono_ms)
            return
        due = self.arbiter.next_due_ms()
        if due is not None and due <= mono_ms and not self.broken:
            self._ring(mono_ms)
        if mono_ms >= self._next_beat_ms:
            self._beat(mono_ms)
            if self.link_up:
                self._tell_settings()
        if self._is_stop_untold and self.link_up:
            self._insist(mono_ms)
        for _cue, board, prop in self.cues.unanswered(mono_ms):
            self.changed.add(prop)
            self.watch.unanswered(prop, board, mono_ms, self.wall_of(mono_ms))
        self.receipts.expire(mono_ms)
        if mono_ms >= self._next_snapshot_ms:
            self.save(mono_ms)

    def next_due_ms(self, mono_ms: int) -> int:
        """Return when `advance` wants to be called at the latest."""
        if not self.begun:
            return min(self._begin_at_ms or mono_ms + BEAT_MS, self._next_sweep_ms)
        due = min(self._next_beat_ms, self._next_sweep_ms)
        for other in (
            None if self.broken else self.arbiter.next_due_ms(),
            self.cues.next_due_ms(),
            self.receipts.next_due_ms(),
            mono_ms + INSIST_MS if self._is_stop_untold and self.link_up else None,
        ):
            if other is not None and other < due:  # asked after every message: no list, no min()
                due = other
        return due

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
                stop = decode("stop", arrival.payload)
                self.known_stop = max(self.known_stop, stop, key=lambda each: each.epoch)
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
        stop = self.known_stop
        self.begun = True
        wall_ms = self.hands.started_wall_ms = self.wall_of(mono_ms)
        epoch = max(stop.epoch, self.epoch_floor)
        self._do(events.Started(mono_ms, wall_ms, epoch, stop.stopped, link_up=True))
        self.watch.begin(self.arbiter.night, mono_ms)
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
            self.watch.dated(self.arbiter.night, board, motion.boot, motion.at_ms, now)
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
            if effects:  # a repeat has none: they are of timers that were due before it
                self._put(self._carry_out(events.Ticked(event.mono_ms, event.wall_ms), effects))
            if arrival.receipt is None:
                return False
            self.receipts.again(events.key_of(event), arrival.receipt)
            return True
        self.tally.motions += 1
        self.boards.count_motion(event.board, event.boot)
        self.watch.motion(self.arbiter.night, event.board, event.sensor, event.mono_ms)
        record = self._carry_out(event, effects)
        self._note_hit(event)
        self.receipts.expect(record.number, events.key_of(event), arrival.receipt, event.mono_ms)
        self._put(record)
        return True

    def _presence(self, board: str, presence: Here | Gone, arrival: Arrival) -> None:
        now = arrival.mono_ms
        if not self._known(board, now):
            return
        if isinstance(presence, Gone):
            if self.boards.presence.gone(board, presence.boot, presence.conn):
                self._board_gone(board, now)
            return
        if not self.boards.presence.here(board, presence.boot, presence.conn, now):
            return
        self.boards.hello(board, presence, arrival.wall_ms)
        self.watch.hello(board, presence, now)
        wall_ms = self.wall_of(now)
        self._do(
            events.BoardHere(now, wall_ms, board, presence.boot, presence.up_ms, presence.reset)
        )
        self.watch.back(board, now, wall_ms)
        self._beat(now)

    def _health(self, board: str, health: Health, arrival: Arrival) -> None:
        now = arrival.mono_ms
        if not self._known(board, now):
            return
        self._heard(board, health.boot, now)
        charge = None
        if health.battery_mv is not None and self.watch.believes(board, health.battery_mv):
            charge = self._charge_of(board, health.battery_mv)
            if charge is not None:
                self.forecasts.read(board, charge, now)
        news = self.boards.note_health(board, health, charge, arrival.wall_ms)
        journalled = self.boards.journalled.get((board, health.boot), 0)
        self.watch.health(self.arbiter.night.boards[board], health, journalled, now)
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
        if not self._known(board, now):
            return
        self._heard(board, report.boot, now)
        why = report.why or ""
        prop = self.cues.answered(report.cue)
        if prop is not None:
            self.changed.add(prop)
            self.watch.answered(prop, now, self.wall_of(now))
        self._note_trip(report.cue, report.state, now)
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
            self.watch.back(board, mono_ms, self.wall_of(mono_ms))

    def _board_gone(self, board: str, mono_ms: int, *, silent: bool = False) -> None:
        wall_ms = self.wall_of(mono_ms)
        self._do(events.BoardGone(mono_ms, wall_ms, board))
        self.watch.lost(board, mono_ms, wall_ms, silent=silent)

    def _sweep(self, mono_ms: int) -> None:
        """Once a second: who is silent, and what is wrong."""
        self._next_sweep_ms = mono_ms + SWEEP_MS
        if self._kept:
            kept, self._kept = self._kept, []
            self.alerts.recall(kept_alerts(kept), mono_ms)
        if self.begun:
            for board in self.boards.presence.silent(mono_ms):
                self._board_gone(board, mono_ms, silent=True)
        if self._shelf is not None and mono_ms >= self._next_room_ms:
            self._next_room_ms = mono_ms + ROOM_EVERY_MS
            self._free_mb = self._shelf.free_mb()
        lost, wall_ms = self.receipts.not_journalled, self.wall_of(mono_ms)
        house = House(self._journal.counts(), lost, self._free_mb, wall_ms)
        if self.begun:
            self._insist(mono_ms)
            if self._has_gap(house.journal, mono_ms):
                self.save(mono_ms)
        self.watch.sweep(self.arbiter.night, house, self.deaf(mono_ms), mono_ms, wall_ms)
        self._look_ahead(mono_ms)
        self._tell_alerts(mono_ms)
        if self.begun and self.watch.unsteady:
            self._hold_unsteady(mono_ms)

    def _hold_unsteady(self, mono_ms: int) -> None:
        for prop, by in [*to_hold(self.arbiter.night, self.watch.unsteady, mono_ms)]:
            self._do(events.Held(mono_ms, self.wall_of(mono_ms), prop, HOLD_MS, by))
