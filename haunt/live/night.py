"""The running night: it takes messages and orders, begins, and minds what is due.

One caller, no threads here. What a message means is said in hearing.py, what comes of an event is
carried out in shell.py.
"""

from collections.abc import Mapping

from haunt.core import events
from haunt.core.arbiter import Arbiter
from haunt.core.decisions import Decision
from haunt.core.events import Event
from haunt.live.alerts.book import kept_alerts
from haunt.live.alerts.rules import House
from haunt.live.alerts.unsteady import HOLD_MS, to_hold
from haunt.live.alerts.watch import AlertSeen
from haunt.live.forecasts import PackSheet
from haunt.live.hearing import Hearing
from haunt.live.ports import (
    ActionRow,
    AlertShelf,
    AlertsOut,
    Arrival,
    ChargeOf,
    Journal,
    LinkState,
    Outbox,
)
from haunt.live.shell import BEAT_MS, INSIST_MS, Shell
from haunt.wire.errors import BoardSpokeNonsense
from haunt.wire.payloads import Stop, decode
from haunt.wire.topics import BoardTopic

SWEEP_MS = 1000
ROOM_EVERY_MS = 10_000
RETAINED_STOP_WAIT_MS = 300
EARLY_MAX = 20_000
SNAPSHOT_EVERY_MS = 60_000


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
        charge_of: ChargeOf = lambda _board, _mv: None,
        shelf: AlertShelf | None = None,
        sheets: Mapping[str, PackSheet] | None = None,
        out: AlertsOut | None = None,
    ) -> None:
        super().__init__(
            arbiter,
            outbox,
            journal,
            clock_id=clock_id,
            number=number,
            charge_of=charge_of,
            sheets=sheets or {},
            alerts_out=out,
        )
        self.link_up = False
        self.known_stop = Stop(stopped=False, epoch=0, at_ms=0)  # before the broker says its own
        self.epoch_floor = 0
        """The first start of this run rises above it: no earlier controller's cue can play then."""
        self._hearing = Hearing(self, known_clocks | {clock_id}, charge_of)
        self._shelf = shelf
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
            self.acknowledge(arrival)
            return
        try:
            keep = self._hearing.hear(topic, arrival)
        except BoardSpokeNonsense as nonsense:
            self.tally.nonsense(topic.board, str(nonsense), nonsense.kind)
            self.watch.nonsense(topic.board, str(nonsense), arrival.mono_ms)
            keep = False
        if not keep:
            self.acknowledge(arrival)

    def _read_topic(self, name: str) -> BoardTopic | None:
        """Those of our own boards are few and come again and again."""
        topic = self.out.topics.parse(name)
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
        self.do(events.LinkChanged(state.mono_ms, self.wall_of(state.mono_ms), state.up))
        self.changed.update(self.arbiter.night.props)
        if state.up:
            self.say_hello(state.mono_ms)

    def order(self, event: Event, action: ActionRow) -> tuple[Decision, ...]:
        """Do what a person asks, log it under their name, and return what was decided."""
        if isinstance(event, AlertSeen):
            self.seen(event, action)
            return ()
        if isinstance(event, events.Stopped) and not self.arbiter.night.stopped:
            self.stopped_by, self.stopped_wall_ms = action.by, event.wall_ms
        if isinstance(event, events.ShowChanged):
            self.show_version = event.version
        self.note_order(event, action)
        effects = self.do(event, action=action)
        if isinstance(event, events.ShowChanged):
            self.relabel(self.watch.labels)
        self.changed.update(self.arbiter.night.props)
        return tuple(each for each in effects if type(each) is Decision)

    def advance(self, mono_ms: int, wall_ms: int) -> None:
        """Run what is due: the arbiter's timers, beats, silences, unanswered cues, receipts."""
        self.mind_clocks(mono_ms, wall_ms)
        if mono_ms >= self._next_sweep_ms:
            self._sweep(mono_ms)
        if not self.begun:
            if self._begin_at_ms is not None and mono_ms >= self._begin_at_ms:
                self._begin(mono_ms)
            return
        due = self.arbiter.next_due_ms()
        if due is not None and due <= mono_ms and not self.broken:
            self.ring(mono_ms)
        if mono_ms >= self.next_beat_ms:
            self.beat(mono_ms)
            if self.link_up:
                self.tell_settings()
        if self.out.is_stop_untold and self.link_up:
            self.insist(mono_ms)
        for board, prop in self.cues.unanswered(mono_ms):
            self.changed.add(prop)
            self.watch.unanswered(prop, board, mono_ms)
        self.receipts.expire(mono_ms)
        if mono_ms >= self._next_snapshot_ms:
            self.save(mono_ms)

    def next_due_ms(self, mono_ms: int) -> int:
        """Return when `advance` wants to be called at the latest."""
        if not self.begun:
            return min(self._begin_at_ms or mono_ms + BEAT_MS, self._next_sweep_ms)
        due = min(self.next_beat_ms, self._next_sweep_ms)
        for other in (
            None if self.broken else self.arbiter.next_due_ms(),
            self.cues.next_due_ms(),
            self.receipts.next_due_ms(),
            mono_ms + INSIST_MS if self.out.is_stop_untold and self.link_up else None,
        ):
            if other is not None and other < due:  # asked after every message: no list, no min()
                due = other
        return due

    def save(self, mono_ms: int) -> None:
        """Hand a snapshot to the journal, so that a restart has little to replay."""
        self._next_snapshot_ms = mono_ms + SNAPSHOT_EVERY_MS
        if not self.broken:
            self.put(self.record(mono_ms, snapshot=self.arbiter.snapshot()))

    # --- the beginning

    def _receive_early(self, arrival: Arrival) -> None:
        topic = self.out.topics.parse(arrival.topic)
        if topic is not None and topic.kind == "stop":
            try:
                stop = decode("stop", arrival.payload)
                self.known_stop = max(self.known_stop, stop, key=lambda each: each.epoch)
            except BoardSpokeNonsense as nonsense:
                self.tally.nonsense(topic.board, str(nonsense), nonsense.kind)
            self.acknowledge(arrival)
            self._begin_at_ms = arrival.mono_ms
        elif len(self._early) < EARLY_MAX:
            self._early.append(arrival)
        else:
            self.tally.dropped += 1
            self.acknowledge(arrival)

    def _begin(self, mono_ms: int) -> None:
        stop = self.known_stop
        self.begun = True
        wall_ms = self.hands.started_wall_ms = self.wall_of(mono_ms)
        epoch = max(stop.epoch, self.epoch_floor)
        self.do(events.Started(mono_ms, wall_ms, epoch, stop.stopped, link_up=True))
        self.watch.begin(self.arbiter.night, mono_ms)
        for name, board in self.arbiter.night.boards.items():
            if board.here:
                self.boards.presence.recall(name, board.boot, mono_ms)
        if self.arbiter.night.stopped:
            self.stopped_by, self.stopped_wall_ms = "before the restart", wall_ms
        self.say_hello(mono_ms)
        self._next_snapshot_ms = mono_ms
        early, self._early = self._early, []
        for arrival in early:
            self.receive(arrival)

    # --- once a second

    def _sweep(self, mono_ms: int) -> None:
        """Find out who is silent, and what is wrong."""
        self._next_sweep_ms = mono_ms + SWEEP_MS
        if self._kept:
            kept, self._kept = self._kept, []
            self.alerts.recall(kept_alerts(kept), mono_ms)
        if self.begun:
            for board in self.boards.presence.silent(mono_ms):
                self._hearing.lose(board, mono_ms, silent=True)
        if self._shelf is not None and mono_ms >= self._next_room_ms:
            self._next_room_ms = mono_ms + ROOM_EVERY_MS
            self._free_mb = self._shelf.free_mb()
        lost, wall_ms = self.receipts.not_journalled, self.wall_of(mono_ms)
        house = House(self._journal.counts(), lost, self._free_mb, wall_ms)
        if self.begun:
            self.insist(mono_ms)
            if self.has_gap(house.journal, mono_ms):
                self.save(mono_ms)
        self.watch.sweep(self.arbiter.night, house, self.deaf(mono_ms), mono_ms, wall_ms)
        self.look_ahead(mono_ms)
        self.tell_alerts(mono_ms)
        if self.begun and self.watch.unsteady:
            self._hold_unsteady(mono_ms)

    def _hold_unsteady(self, mono_ms: int) -> None:
        for prop, by in [*to_hold(self.arbiter.night, self.watch.unsteady, mono_ms)]:
            self.do(events.Held(mono_ms, self.wall_of(mono_ms), prop, HOLD_MS, by))
