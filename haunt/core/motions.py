"""A motion arrives: was it seen, what do the sensor's own rules say, and whom does it concern."""

from haunt.core.decisions import MotionKey, Outcome, Source
from haunt.core.events import Held, Motion, PhaseByHand, Stopped
from haunt.core.memory import BoardMemory
from haunt.core.night import (
    PASSES,
    RECENT_MAX,
    SEEN_BOOTS_MAX,
    STRANGERS_MAX,
    WALKING_MAX,
    Item,
    Night,
    Prop,
    Sensor,
)
from haunt.core.people import on_held, on_phase, on_stopped
from haunt.core.proprules import closed, stale, stopped, walk_test
from haunt.core.rules import RULE, SENSOR_RULES
from haunt.core.seen import SeqWindow
from haunt.core.sensorrules import wrong_way

_WRONG_WAY = RULE["wrong-way"].order


def on_motion(night: Night, event: Motion) -> None:
    board: BoardMemory | None
    sensor = night.sensors.get(event.sensor)
    if sensor is not None and sensor.spec.board == event.board:
        board = sensor.board
    else:
        sensor, board = None, _memory(night, event.board)
    if board is None or not _first_time(board, event.boot, event.seq):
        night.duplicates += 1
        return
    night.arrivals += 1
    key = MotionKey(event.board, event.boot, event.seq)
    if sensor is None:
        night.owed += 1
        night.refuse(key, event.sensor, None, night.now_ms, "unknown-sensor", 0)
        return
    _weigh(night, sensor, key, event.sensor, night.now_ms - event.age_ms)


def _memory(night: Night, board: str) -> BoardMemory | None:
    known = night.boards.get(board) or night.strangers.get(board)
    if known is None and len(night.strangers) < STRANGERS_MAX:
        known = night.strangers[board] = BoardMemory()
    return known


def _first_time(board: BoardMemory, boot: str, seq: int) -> bool:
    if board.seen.boot == boot:
        return board.seen.add(seq)
    before = board.seen_before
    if boot in before:
        return before[boot].add(seq)
    if board.seen.boot:
        before[board.seen.boot] = board.seen
    while len(before) >= SEEN_BOOTS_MAX:
        del before[next(iter(before))]
    board.seen = SeqWindow(boot)
    return board.seen.add(seq)


def _weigh(night: Night, sensor: Sensor, key: MotionKey, name: str, happened: int) -> None:
    """Apply the sensor's rules, note what the sensor saw, and make an item for each link."""
    reason, margin, order = None, PASSES, 99
    for rule, test in SENSOR_RULES:
        margin = test(night, sensor, happened)
        if margin >= 0:
            reason, order = rule.reason, rule.order
            break
    accepted = reason is None and _note_links(sensor, happened)
    _note(sensor, happened)
    if accepted:
        last = sensor.last_accepted_ms
        sensor.last_accepted_ms = happened if last is None else max(last, happened)
    _act(night, sensor, accepted=accepted or (reason is None and not sensor.links))
    night.owed += max(1, len(sensor.links))
    if not sensor.links:
        night.refuse(key, name, None, night.now_ms, reason or "no-prop", max(0, margin))
    for prop_id, prop, delay_ms, after, within_ms in sensor.links:
        if order > _WRONG_WAY and after is not None and wrong_way(after, within_ms, happened) >= 0:
            night.refuse(key, name, prop_id, happened + delay_ms, "wrong-way", 0)
        elif reason is not None:
            night.refuse(key, name, prop_id, happened + delay_ms, reason, margin)
        else:
            _admit(night, _item(night, prop, sensor, key, happened, delay_ms))


def _note_links(sensor: Sensor, happened: int) -> bool:
    """A motion is accepted if some link would take it; a sensor without links accepts none."""
    return any(
        after is None or wrong_way(after, within, happened) == PASSES
        for _id, _prop, _delay, after, within in sensor.links
    )


def _note(sensor: Sensor, happened: int) -> None:
    if sensor.last_seen_ms is None or happened > sensor.last_seen_ms:
        sensor.last_seen_ms = happened
    if sensor.lull_from_ms is None or happened > sensor.lull_from_ms:
        sensor.lull_from_ms = happened
    if sensor.asked:
        sensor.recent_ms.append(happened)
        del sensor.recent_ms[:-RECENT_MAX]


def _act(night: Night, sensor: Sensor, *, accepted: bool) -> None:
    """A button may mean something else than fire. Stop outranks every rule."""
    action, by = sensor.spec.action, f"button {sensor.spec.id}"
    mono, wall = night.now_ms, night.wall_ms
    if action == "stop":
        on_stopped(night, Stopped(mono, wall, by))
    elif action == "gentle" and accepted:
        on_phase(night, PhaseByHand(mono, wall, "gentle", 180_000, by))
    elif action == "hold" and accepted:
        on_held(night, Held(mono, wall, None, None, by))


def _item(
    night: Night, prop: Prop, sensor: Sensor, key: MotionKey, happened: int, delay_ms: int
) -> Item:
    cue = f"{key.board}-{key.boot}-{key.seq}-{prop.spec.id}"
    return night.new_item(
        prop,
        Source.MOTION,
        cue,
        happened + delay_ms,
        happened_ms=happened,
        motion=key,
        sensor=sensor,
    )


def _admit(night: Night, item: Item) -> None:
    """Look now at what is due; refuse what no later look could allow; let the rest walk."""
    prop, now = item.prop, night.now_ms
    late = now - item.due_ms - prop.patience_ms
    if late > 0:
        item.late_ms = late
    if item.due_ms <= now:
        night.items[item.arrival] = item
        night.agenda.append(item)
        return
    for name, test in _ON_ARRIVAL:
        margin = test(night, prop, item)
        if margin >= 0:
            night.decide(item, Outcome.REFUSED, name, margin or None)
            return
    if len(night.items) >= WALKING_MAX and _under_way(night, prop) >= WALKING_MAX:
        night.decide(item, Outcome.REFUSED, "already-waiting", WALKING_MAX)
        return
    night.items[item.arrival] = item
    item.wake_ms = item.due_ms
    night.wake(item.due_ms, item)


def _under_way(night: Night, prop: Prop) -> int:
    return sum(1 for each in night.items.values() if each.prop is prop)


_ON_ARRIVAL = (("stale", stale), ("stopped", stopped), ("walk-test", walk_test), ("closed", closed))
