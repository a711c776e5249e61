"""What people may tell the night, as calls from any thread.

Each call puts one event on the owner's queue and returns at once with a Future of the answer, so
that no page ever touches the state and a stop waits for nothing. What cannot be raises CrewMistake
before anything is queued; times are ms.
"""

from collections.abc import Callable
from concurrent.futures import Future
from typing import Protocol

from haunt.core import events
from haunt.core.decisions import Decision
from haunt.core.events import Event
from haunt.core.show import Show
from haunt.live.alerts.watch import AlertSeen
from haunt.live.errors import CrewMistake
from haunt.live.views import Labels, NightView, PropView

MakeEvent = Callable[[int, int], Event]


class Desk(Protocol):
    """The owner, seen from the crew's side."""

    def submit(
        self, make: MakeEvent, *, by: str, what: str, about: str, labels: Labels | None = None
    ) -> "Future[Answer]":
        """Thread-safe: queue an event made from (mono_ms, wall_ms) at the time it is handled."""
        ...

    def view(self) -> NightView:
        """Thread-safe: the newest view, at most a quarter of a second old."""
        ...


class Answer(tuple[Decision, ...]):
    """The decisions that followed at once, in order; often none."""

    __slots__ = ()


class Crew:
    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def view(self) -> NightView:
        return self._desk.view()

    def stop(self, by: str) -> "Future[Answer]":
        """Latched; idempotent; needs no database."""
        return self._put(lambda m, w: events.Stopped(m, w, by), by, "stop")

    def release_stop(self, by: str) -> "Future[Answer]":
        """Show goes on 5 s later; props armed by hand stay held."""
        return self._put(lambda m, w: events.StopReleased(m, w, by), by, "stop released")

    def fire(
        self,
        prop: str,
        key: str,
        by: str,
        *,
        behaviour: str | None = None,
        hands_clear: bool = False,
    ) -> "Future[Answer]":
        """Answer holds the one decision. The key makes a repeated request change nothing."""
        view = self._prop(prop)
        if behaviour is not None and behaviour not in view.behaviours:
            known = ", ".join(view.behaviours)
            raise CrewMistake(f"{prop} has no behaviour {behaviour!r}; it has {known}", about=prop)
        return self._put(
            lambda m, w: events.FiredByHand(m, w, prop, key, behaviour, hands_clear, by),
            by,
            "fire",
            prop,
        )

    def hold(self, prop: str | None, by: str, for_ms: int | None = None) -> "Future[Answer]":
        """Until released, or for a time (1 s to 1 h), which `arm_by_hand` props refuse."""
        if for_ms is not None and not 1000 <= for_ms <= 3_600_000:
            raise CrewMistake("a hold lasts 1 to 3600 seconds, or until released", about="for_s")
        if prop is not None and self._prop(prop).arm_by_hand and for_ms is not None:
            raise CrewMistake(
                f"{prop} is armed by hand: hold it without a time, release it by hand", about=prop
            )
        return self._put(lambda m, w: events.Held(m, w, prop, for_ms, by), by, "hold", prop)

    def release_hold(self, prop: str | None, by: str) -> "Future[Answer]":
        """All (`prop` None) leaves those armed by hand held: each of them by its own control."""
        if prop is not None:
            self._prop(prop)
        return self._put(lambda m, w: events.HoldReleased(m, w, prop, by), by, "release", prop)

    def phase_by_hand(self, phase: str | None, for_ms: int, by: str) -> "Future[Answer]":
        return self._put(
            lambda m, w: events.PhaseByHand(m, w, phase, for_ms, by), by, "phase", phase
        )

    def mute(
        self, sensor: str, by: str, *, on: bool, for_ms: int | None = None
    ) -> "Future[Answer]":
        if sensor not in self._desk.view().sensors:
            raise CrewMistake(f"there is no sensor {sensor!r}", about=sensor, missing=True)
        return self._put(
            lambda m, w: events.Muted(m, w, sensor, on, for_ms, by),
            by,
            "mute" if on else "unmute",
            sensor,
        )

    def lock_out(self, prop: str, by: str, *, on: bool, is_owner: bool = False) -> "Future[Answer]":
        """Somebody works on it: no timer, and nobody but they, or an owner, ends it."""
        holder = self._prop(prop).locked_by
        if holder and holder != by and not (is_owner and not on):
            raise CrewMistake(
                f"{holder} works on it: only {holder}, or an owner, ends that", about=prop
            )
        return self._put(
            lambda m, w: events.LockedOut(m, w, prop, on, by),
            by,
            "lock out" if on else "lock-out ended",
            prop,
        )

    def service(self, prop: str, by: str, *, out: bool) -> "Future[Answer]":
        self._prop(prop)
        return self._put(
            lambda m, w: events.ServiceChanged(m, w, prop, out, by),
            by,
            "out of service" if out else "back in service",
            prop,
        )

    def walk_test(self, by: str, *, on: bool) -> "Future[Answer]":
        what = "walk test" if on else "walk test ended"
        return self._put(lambda m, w: events.WalkTest(m, w, on, by), by, what)

    def acknowledge(self, alert: int, by: str) -> "Future[Answer]":
        """Say who has seen an alert; the first one keeps it."""
        if not any(each.id == alert for each in self._desk.view().alerts):
            raise CrewMistake(f"there is no open alert {alert}", about="alert", missing=True)
        return self._put(lambda m, w: AlertSeen(m, w, alert, by), by, "alert seen", str(alert))

    def doors(self, state: str, by: str, extend_ms: int = 0) -> "Future[Answer]":
        allowed = ("open", "closed", "paused", "timetable", "extended")
        if state not in allowed:
            raise CrewMistake(f"doors are {', '.join(allowed)}; not {state!r}", about="doors")
        return self._put(
            lambda m, w: events.DoorsSet(m, w, state, extend_ms, by), by, "doors", state
        )

    def change_show(self, show: Show, version: int, by: str, labels: Labels) -> "Future[Answer]":
        """All or nothing: the show is prepared and valid already, ids keep their state."""
        return self._desk.submit(
            lambda m, w: events.ShowChanged(m, w, show, version, by),
            by=by,
            what="show",
            about=str(version),
            labels=labels,
        )

    def _prop(self, prop: str) -> PropView:
        view = self._desk.view().props.get(prop)
        if view is None:
            raise CrewMistake(f"there is no prop {prop!r}", about=prop, missing=True)
        return view

    def _put(
        self, make: MakeEvent, by: str, what: str, about: str | None = None
    ) -> "Future[Answer]":
        return self._desk.submit(make, by=by, what=what, about=about or "")
