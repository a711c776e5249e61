"""Records of the running night as rows, in the order of their tables' columns.

It runs beside the thread that answers motions, so it makes plain tuples and little else.
"""

import json
from collections.abc import Iterable, Mapping
from itertools import repeat
from typing import Final

from haunt.core.decisions import Decision, SendCue
from haunt.core.events import Motion
from haunt.live.ports import AlertRow, HealthRow, Record
from haunt.live.why.facts import Because
from haunt.store import tables
from haunt.wire.eventcodec import encode_event

Cell = str | int | None
Row = tuple[Cell, ...]

ORDER: Final = (
    tables.events,
    tables.motions,
    tables.decisions,
    tables.cues,
    tables.reports,
    tables.health,
    tables.alerts,
    tables.actions,
    tables.snapshots,
)
_NO_MOTION: Final = (None, None, None)
_NO_WHYS: Final = repeat(None)
_TEXT_OF: Final = json.JSONEncoder(separators=(",", ":")).encode


def rows_of(records: Iterable[Record]) -> dict[str, list[Row]]:
    """Return the rows of a batch by table name, in the order of the records."""
    rows: dict[str, list[Row]] = {table.name: [] for table in ORDER}
    events, motions, decisions = rows["events"], rows["motions"], rows["decisions"]
    for record in records:
        number, event = record.number, record.event
        if event is not None:
            kind, body = encode_event(event)
            events.append((number, event.mono_ms, event.wall_ms, kind, body))
            if type(event) is Motion:
                motions.append(_motion(number, event))
        whys = record.because or _NO_WHYS
        for decision, why in zip(record.decisions, whys, strict=False):
            decisions.append(_decision(number, decision, why))
        for cue in record.cues:
            rows["cues"].append(_cue(record.wall_ms, cue))
        _add_rarer(rows, record)
    return rows


def _add_rarer(rows: dict[str, list[Row]], record: Record) -> None:
    at_ms = record.wall_ms
    if (report := record.report) is not None:
        rows["reports"].append(
            (at_ms, report.board, report.cue, report.boot, report.state, report.why)
        )
    if record.health is not None:
        rows["health"].append(_health(at_ms, record.health))
    if (alert := record.alert) is not None:
        rows["alerts"].append(_alert(record.number, at_ms, alert))
    if (action := record.action) is not None:
        rows["actions"].append((at_ms, action.by, action.what, action.about))
    if record.snapshot is not None:
        body = text_in_pieces(record.snapshot)
        rows["snapshots"].append((record.number, record.mono_ms, at_ms, record.show_version, body))


def _motion(number: int, event: Motion) -> Row:
    return (
        number,
        event.wall_ms,
        event.board,
        event.sensor,
        event.boot,
        event.seq,
        event.age_ms,
    )


def _decision(number: int, decision: Decision, why: Because | None) -> Row:
    return (
        number,
        decision.wall_ms,
        decision.source.value,
        *(decision.motion or _NO_MOTION),
        decision.sensor,
        decision.prop,
        decision.outcome.value,
        decision.reason,
        decision.behaviour,
        decision.cue,
        decision.waited_ms,
        decision.margin,
        None if why is None else _TEXT_OF(why.as_json()),
    )


def _cue(at_ms: int, cue: SendCue) -> Row:
    return (
        at_ms,
        cue.cue,
        cue.board,
        cue.prop,
        cue.behaviour,
        cue.epoch,
        cue.max_ms,
        cue.line,
    )


def _health(at_ms: int, health: HealthRow) -> Row:
    return (
        at_ms,
        health.board,
        health.boot,
        health.up_ms,
        health.battery_mv,
        health.charge_percent,
        health.rssi,
        health.reset,
        _TEXT_OF(health.starts),
        _TEXT_OF(health.motions),
    )


def _alert(number: int, at_ms: int, alert: AlertRow) -> Row:
    return (
        at_ms,
        alert.key,
        alert.state,
        alert.text,
        alert.alert or number,
        alert.todo,
        alert.severity,
        alert.since_ms or at_ms,
        alert.last_ms or at_ms,
        alert.count,
        alert.seen_by,
        alert.seen_ms,
    )


def text_in_pieces(memory: Mapping[str, object]) -> str:
    """Encode a snapshot entry by entry.

    The encoder lets no other thread run until it is done: a big show in one piece would make the
    next motion wait for milliseconds.
    """
    return (
        "{" + ",".join(f"{_TEXT_OF(key)}:{_pieces(value)}" for key, value in memory.items()) + "}"
    )


def _pieces(value: object) -> str:
    if isinstance(value, dict):
        # A key that is no text becomes one as the encoder would have it.
        return "{" + ",".join(_TEXT_OF({key: each})[1:-1] for key, each in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ",".join(map(_TEXT_OF, value)) + "]"
    return _TEXT_OF(value)
