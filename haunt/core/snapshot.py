"""A night's memory as plain values and back: for restarts, and for a change of show.

What a snapshot does not name follows from the show. Ids that the show no longer has are dropped.
"""

from dataclasses import fields, replace
from functools import cache
from typing import Any

from haunt.core.calendar import Sunset, no_sunset
from haunt.core.decisions import MotionKey, Source
from haunt.core.memory import BoardMemory, NightMemory, PropMemory, SensorMemory
from haunt.core.night import Item, Night, Play, Prop, Sensor
from haunt.core.plays import spread
from haunt.core.seen import FULL, SeqWindow
from haunt.core.show import Behaviour, Show
from haunt.core.wiring import wire

Plain = dict[str, Any]
VERSION = 1


def dump(night: Night) -> Plain:
    """Return the memory as JSON-able values."""
    return {
        "version": VERSION,
        "night": _plain(night, NightMemory),
        "props": {each: _dump_prop(prop) for each, prop in night.props.items()},
        "boards": {each: _dump_board(board) for each, board in night.boards.items()},
        "strangers": {each: _dump_board(board) for each, board in night.strangers.items()},
        "sensors": {each: _plain(s, SensorMemory) for each, s in night.sensors.items()},
        "items": [_dump_item(item) for item in night.items.values()],
    }


def restore(show: Show, memory: Plain, sunset: Sunset = no_sunset) -> Night:
    """Wire the show and give it this memory.

    Raises ValueError for a snapshot of another version.
    """
    if memory.get("version") != VERSION:
        raise ValueError(f"snapshot version {memory.get('version')}; this program reads {VERSION}")
    night = wire(show, sunset)
    _fill(night, memory["night"], NightMemory)
    night.timetable_due = {
        int(row): due_ms  # JSON made its keys text
        for row, due_ms in memory["night"]["timetable_due"].items()
        if int(row) in night.timetable
    }
    for name, kept in memory["sensors"].items():
        if name in night.sensors:
            _fill(night.sensors[name], kept, SensorMemory)
            _note_asked(night.sensors[name])
    _fill_boards(night, memory)
    for name, kept in memory["props"].items():
        if name in night.props:
            _fill_prop(night, night.props[name], kept)
    for kept in memory["items"]:
        _fill_item(night, kept)
    if night.release_at_ms is not None:
        night.wake(night.release_at_ms, None)
    return night


def _note_asked(sensor: Sensor) -> None:
    """The new show may ask a sensor that nobody asked before: it knows when it saw the last."""
    if not sensor.asked:
        sensor.recent_ms = []
    elif not sensor.recent_ms and sensor.last_seen_ms is not None:
        sensor.recent_ms = [sensor.last_seen_ms]


def _fill_boards(night: Night, memory: Plain) -> None:
    for name, kept in memory["boards"].items():
        if name in night.boards:
            _fill_board(night.boards[name], kept)
    for name, kept in memory["strangers"].items():
        _fill_board(night.strangers.setdefault(name, BoardMemory()), kept)


@cache
def _names(memory: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(memory))


def _plain(value: object, memory: type) -> Plain:
    found: Plain = {}
    for name in _names(memory):
        have = getattr(value, name)
        if isinstance(have, list):
            have = list(have)
        elif isinstance(have, dict):
            have = dict(have)
        found[name] = have
    return found


def _fill(target: object, kept: Plain, memory: type) -> None:
    for field in fields(memory):
        if field.name in kept:
            setattr(target, field.name, kept[field.name])


def _dump_prop(prop: Prop) -> Plain:
    found = _plain(prop, PropMemory)
    play = prop.play
    if play is not None:
        found["play"] = {
            "cue": play.cue,
            "behaviour": play.behaviour.id,
            "duration_ms": play.behaviour.duration_ms,
            "started_ms": play.started_ms,
            "before": list(play.before),
            "line": play.line,
            "said": list(play.said) if play.said is not None else None,
        }
    return found


def _fill_prop(night: Night, prop: Prop, kept: Plain) -> None:
    _fill(prop, kept, PropMemory)
    prop.on_times = [(began, until) for began, until in kept["on_times"]]
    have = kept.get("play")
    if have is None:
        spread(prop)
        return
    found = [each for each in prop.spec.behaviours if each.id == have["behaviour"]]
    behaviour = found[0] if found else Behaviour(have["behaviour"], have["duration_ms"])
    if behaviour.duration_ms != have["duration_ms"]:  # the board runs what it was told
        behaviour = replace(behaviour, duration_ms=have["duration_ms"])
    start, end, last = have["before"]
    prop.play = Play(have["cue"], behaviour, have["started_ms"], (start, end, last))
    # Neither is in a snapshot of before there were pools of lines.
    prop.play.line, prop.play.said = have.get("line"), have.get("said")
    for index, amount in behaviour.draws:
        load = night.loads[index]
        load.total += amount
        load.playing[prop.spec.id] = (amount, prop.play.busy_until_ms)
    night.wake(prop.play.busy_until_ms, prop)


def _dump_board(board: BoardMemory) -> Plain:
    found = _plain(board, BoardMemory)
    windows = [*board.seen_before.values(), board.seen] if board.seen.boot else []
    found["seen"] = {each.boot: [each.high, f"{FULL ^ each.gaps:x}"] for each in windows}
    del found["seen_before"]
    return found


def _fill_board(board: BoardMemory, kept: Plain) -> None:
    _fill(board, kept | {"seen": SeqWindow()}, BoardMemory)
    for boot, (high, mask) in kept["seen"].items():  # the latest comes last
        if board.seen.boot:
            board.seen_before[board.seen.boot] = board.seen
        board.seen = SeqWindow(boot, high, FULL & ~int(mask, 16))


def _dump_item(item: Item) -> Plain:
    return {
        "prop": item.prop.spec.id,
        "sensor": item.sensor.spec.id if item.sensor is not None else None,
        "source": str(item.source),
        "cue": item.cue,
        "due_ms": item.due_ms,
        "arrival": item.arrival,
        "motion": list(item.motion) if item.motion is not None else None,
        "happened_ms": item.happened_ms,
        "late_ms": item.late_ms,
        "wake_ms": item.wake_ms,
        "waits": item.prop.waiting is item,
    }


def _fill_item(night: Night, kept: Plain) -> None:
    prop, sensor = night.props.get(kept["prop"]), night.sensors.get(kept["sensor"])
    if prop is None:
        night.owed -= 1  # the show was changed while the controller was down: nobody can decide
        return
    item = Item(
        prop,
        Source(kept["source"]),
        kept["cue"],
        kept["due_ms"],
        kept["arrival"],
        MotionKey(*kept["motion"]) if kept["motion"] is not None else None,
        sensor,
        kept["happened_ms"],
        late_ms=kept["late_ms"],
        wake_ms=kept["wake_ms"],
    )
    night.items[item.arrival] = item
    if kept["waits"]:
        prop.waiting = item
        night.waiting[prop.spec.id] = item
    night.wake(item.wake_ms, item)
