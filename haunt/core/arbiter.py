"""The arbiter: takes an event and gives effects. It reads no clock and does no I/O.

Timers run at their own instants, before the event that comes at the same time, so decisions do
not depend on when somebody happened to look.
"""

from collections.abc import Callable
from heapq import heappop
from typing import Any

from haunt.core import boards, events, motions, people, timetable
from haunt.core.calendar import Sunset, no_sunset
from haunt.core.decisions import Effect, Outcome
from haunt.core.invariants import check, check_all
from haunt.core.judging import settle
from haunt.core.night import Item, Night, Prop
from haunt.core.plays import end
from haunt.core.show import Show
from haunt.core.snapshot import dump, restore
from haunt.core.wiring import wire

CHECK_ALL_EVERY = 1000
CLOCK_STEP_MS = 1000
TIMERS_PER_THING = 8

HANDLERS: dict[type[events.Event], Callable[[Night, Any], None]] = {
    events.Motion: motions.on_motion,
    events.BoardHere: boards.on_board_here,
    events.BoardGone: boards.on_board_gone,
    events.BoardHealth: boards.on_health,
    events.Reported: boards.on_reported,
    events.LinkChanged: boards.on_link,
    events.Stopped: people.on_stopped,
    events.StopReleased: people.on_stop_released,
    events.Held: people.on_held,
    events.HoldReleased: people.on_hold_released,
    events.LockedOut: people.on_locked_out,
    events.ServiceChanged: people.on_service,
    events.Muted: people.on_muted,
    events.PhaseByHand: people.on_phase,
    events.DoorsSet: people.on_doors,
    events.WalkTest: people.on_walk_test,
    events.FiredByHand: people.on_fired_by_hand,
    events.ClockStepped: lambda _night, _event: None,
    events.Ticked: lambda _night, _event: None,
}


class Arbiter:
    """Owns one night. Not thread-safe: one owner calls it."""

    def __init__(
        self, show: Show, sunset: Sunset = no_sunset, memory: dict[str, Any] | None = None
    ) -> None:
        self._sunset = sunset
        self.night = wire(show, sunset) if memory is None else restore(show, memory, sunset)

    def handle(self, event: events.Event) -> list[Effect]:
        """Run the timers up to the event, then the event. Effects come in order."""
        night = self._begin()
        mono, before = max(event.mono_ms, night.now_ms), 0
        if isinstance(event, events.Started | events.Woke):
            self._resume(mono, event)
        else:
            self._run_timers(mono)
            before = len(night.effects)
            if before:  # by the state they were decided in, not by what the event makes of it
                check(night, night.effects)
            night.now_ms = mono
            self._set_clock(event)
            if isinstance(event, events.ShowChanged):
                night = self._change_show(event)
            else:
                HANDLERS[type(event)](night, event)
        settle(night)
        return self._finish(before)

    def advance(self, mono_ms: int) -> list[Effect]:
        """Run the timers that are due by now."""
        night = self._begin()
        self._run_timers(mono_ms)
        night.now_ms = max(night.now_ms, mono_ms)
        return self._finish()

    def next_due_ms(self) -> int | None:
        """Return the steady-clock instant at which a timer wants to run, if any."""
        heap, row = self.night.heap, timetable.next_due_ms(self.night)
        while heap and not self.night.is_wanted(heap[0][0], heap[0][2]):
            heappop(heap)  # overtaken: a board that reports its end leaves one for every cue
        if not heap:
            return row
        return heap[0][0] if row is None else min(heap[0][0], row)

    def snapshot(self) -> dict[str, Any]:
        return dump(self.night)

    def _begin(self) -> Night:
        night = self.night
        night.effects = []
        night.touched.clear()
        return night

    def _finish(self, checked: int = 0) -> list[Effect]:
        night = self.night
        night.events += 1
        if len(night.heap) > TIMERS_PER_THING * (len(night.props) + len(night.items) + 64):
            night.forget_overtaken()
        check(night, night.effects[checked:] if checked else night.effects)
        if night.events % max(CHECK_ALL_EVERY, 4 * len(night.props)) == 0:
            check_all(night)
        return night.effects

    def _set_clock(self, event: events.Event) -> None:
        night = self.night
        offset = event.wall_ms - event.mono_ms
        stepped = abs(offset - night.offset_ms) >= CLOCK_STEP_MS
        night.offset_ms = offset
        if stepped and night.timetable:
            timetable.plan(night)

    def _run_timers(self, until_ms: int) -> None:
        night = self.night
        while (at := self.next_due_ms()) is not None and at <= until_ms:
            night.now_ms = max(night.now_ms, at)
            self._ring(at)
            if night.timetable_due:
                timetable.fire_due(night)
            settle(night)

    def _ring(self, at_ms: int) -> None:
        """Take up all that asked for this instant; what was overtaken by events is passed over."""
        night = self.night
        heap = night.heap
        while heap and heap[0][0] <= at_ms:
            when, _, what = heappop(heap)
            if not night.is_wanted(when, what):
                continue
            if isinstance(what, Item):
                night.agenda.append(what)
            elif isinstance(what, Prop):
                end(night, what, when)
            else:
                people.finish_release(night)

    def _resume(self, mono_ms: int, event: events.Started | events.Woke) -> None:
        """Behaviours ended in their time; triggers are judged now, or lapse if it is too late."""
        night = self.night
        under_way, waited = list(night.items.values()), dict(night.waiting)
        for item in under_way:
            item.wake_ms = -1
            item.prop.waiting = None
        night.waiting.clear()
        night.timetable_due.clear()
        if night.stopped:
            night.release_at_ms = None
        self._run_timers(mono_ms)
        night.now_ms = mono_ms
        self._set_clock(event)
        if isinstance(event, events.Started):
            self._start_epoch(event)
        for item in under_way:
            if night.stopped:
                night.decide(item, Outcome.REFUSED, "stopped")
            elif item.due_ms + item.prop.patience_ms < mono_ms:
                night.decide(item, Outcome.LAPSED, "restart")
            else:
                item.wake_ms = max(item.due_ms, mono_ms)
                night.wake(item.wake_ms, item)
                if waited.get(item.prop.spec.id) is item:
                    item.prop.waiting = night.waiting[item.prop.spec.id] = item
        timetable.plan(night)
        self._run_timers(mono_ms)

    def _start_epoch(self, event: events.Started) -> None:
        night = self.night
        night.stopped = night.stopped or event.stopped
        night.link_up = event.link_up
        night.rise_above(max(night.epoch, event.epoch))
        people.hold_armed(night.props.values())
        night.touched.update(night.props)

    def _change_show(self, event: events.ShowChanged) -> Night:
        """Wire the new show with the old memory; triggers for what is gone are refused."""
        old = self.night
        there = {prop.id for prop in event.show.props}
        sensors = {sensor.id for sensor in event.show.sensors}
        for item in list(old.items.values()):
            if item.prop.spec.id not in there or (
                item.sensor is not None and item.sensor.spec.id not in sensors
            ):
                old.decide(item, Outcome.REFUSED, "no-prop")
        night = restore(event.show, dump(old), self._sunset)
        night.effects, night.events = old.effects, old.events
        night.touched.update(night.props)
        self.night = night
        timetable.plan(night)
        for row, due_ms in old.timetable_due.items():
            if night.timetable.get(row) == old.timetable[row]:  # else a crew that tunes delays it
                night.timetable_due[row] = due_ms
        night.agenda += night.waiting.values()
        return night
