"""What people may change at any moment: stop, holds, lock-outs, doors, phases, firing by hand."""

from collections.abc import Iterable

from haunt.core.decisions import Outcome, Source
from haunt.core.events import (
    DoorsSet,
    FiredByHand,
    Held,
    HoldReleased,
    LockedOut,
    Muted,
    PhaseByHand,
    ServiceChanged,
    Stopped,
    StopReleased,
    WalkTest,
)
from haunt.core.moment import extension_ms
from haunt.core.night import Night, Prop

RELEASE_COUNT_MS = 5000
HAND_KEYS_MAX = 256
ARMED = "armed by hand"


def on_stopped(night: Night, _event: Stopped) -> None:
    """Latch. A second press raises the epoch again: some board may not have heard the first."""
    night.stopped = True
    night.release_at_ms = None
    night.rise_above(night.epoch)
    hold_armed(night.props.values())
    refuse_all(night, "stopped")
    night.touched.update(night.props)


def on_stop_released(night: Night, _event: StopReleased) -> None:
    """Count five seconds; the stop stays latched until they are over."""
    if night.stopped and night.release_at_ms is None:
        night.release_at_ms = night.now_ms + RELEASE_COUNT_MS
        night.wake(night.release_at_ms, None)
    night.touched.update(night.props)


def finish_release(night: Night) -> None:
    night.stopped = False
    night.release_at_ms = None
    night.released_ms = night.now_ms
    night.rise_above(night.epoch)
    night.touched.update(night.props)


def hold_armed(props: Iterable[Prop]) -> None:
    """Hold those of them that could hurt someone, until each is released by hand."""
    for prop in props:
        if prop.spec.arm_by_hand:
            prop.held, prop.held_until_ms, prop.held_by = True, None, ARMED


def refuse_all(night: Night, reason: str) -> None:
    """End every trigger under way, whoever it is for."""
    for item in list(night.items.values()):
        night.decide(item, Outcome.REFUSED, reason)


def refuse_prop(night: Night, prop: Prop, reason: str) -> None:
    for item in list(night.items.values()):
        if item.prop is prop:
            night.decide(item, Outcome.REFUSED, reason)


def on_held(night: Night, event: Held) -> None:
    """A behaviour under way runs to its end. Props armed by hand are never held for a time."""
    for prop in _named(night, event.prop):
        timed = event.for_ms is not None and not prop.spec.arm_by_hand
        if prop.held and prop.held_until_ms is None and timed:
            continue  # held until released already: a short hold must not shorten that
        prop.held, prop.held_by = True, event.by
        prop.held_until_ms = night.now_ms + event.for_ms if timed and event.for_ms else None
        refuse_prop(night, prop, "held")
        night.touched.add(prop.spec.id)


def on_hold_released(night: Night, event: HoldReleased) -> None:
    for prop in _named(night, event.prop):
        if event.prop is None and prop.spec.arm_by_hand:
            continue
        prop.held, prop.held_until_ms, prop.held_by = False, None, ""
        night.touched.add(prop.spec.id)


def _named(night: Night, prop: str | None) -> list[Prop]:
    if prop is None:
        return list(night.props.values())
    return [night.props[prop]] if prop in night.props else []


def on_locked_out(night: Night, event: LockedOut) -> None:
    for prop in _named(night, event.prop):
        prop.locked_by = event.by if event.on else ""
        if event.on:
            refuse_prop(night, prop, "locked-out")
        night.touched.add(prop.spec.id)


def on_service(night: Night, event: ServiceChanged) -> None:
    for prop in _named(night, event.prop):
        prop.out_of_service = event.out
        if event.out:
            refuse_prop(night, prop, "out-of-service")
        else:
            prop.retired, prop.low_streak = False, 0
        night.touched.add(prop.spec.id)


def on_muted(night: Night, event: Muted) -> None:
    """Triggers already on their way stay: those people were there."""
    sensor = night.sensors.get(event.sensor)
    if sensor is not None:
        sensor.muted = event.on
        timed = event.on and event.for_ms is not None
        sensor.muted_until_ms = night.now_ms + (event.for_ms or 0) if timed else None


def on_phase(night: Night, event: PhaseByHand) -> None:
    night.hand_phase = event.phase
    night.hand_phase_until_ms = night.now_ms + event.for_ms if event.phase is not None else 0
    _relook_all(night)


def on_doors(night: Night, event: DoorsSet) -> None:
    if event.state == "extended":
        night.doors = "timetable"
        night.extend_ms = extension_ms(night) + event.extend_ms
        night.extended_wall_ms = night.wall_ms
    else:
        night.doors = event.state
        if event.state == "timetable":
            night.extend_ms = 0
    _relook_all(night)


def on_walk_test(night: Night, event: WalkTest) -> None:
    night.walk_test = event.on
    if event.on:
        refuse_all(night, "walk-test")
    night.touched.update(night.props)


def on_fired_by_hand(night: Night, event: FiredByHand) -> None:
    prop = night.props.get(event.prop)
    if prop is None or event.key in night.hand_keys:
        return
    night.hand_keys.append(event.key)
    del night.hand_keys[:-HAND_KEYS_MAX]
    now = night.now_ms
    night.agenda.append(
        night.new_item(
            prop,
            Source.HAND,
            event.key,
            now,
            happened_ms=now,
            behaviour=event.behaviour,
            hands_clear=event.hands_clear,
        )
    )


def _relook_all(night: Night) -> None:
    night.agenda += night.waiting.values()
    night.touched.update(night.props)
