"""Records of the running night as rows, table by table."""

import json
from typing import Any

from haunt.core.decisions import Decision, SendCue
from haunt.core.events import Motion
from haunt.live.ports import Record
from haunt.store import tables
from haunt.wire.eventcodec import encode_event

Row = dict[str, Any]
ORDER = (
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


def rows_of(records: list[Record]) -> dict[str, list[Row]]:
    """Return the rows of a batch by table name, in the order of the records."""
    found: dict[str, list[Row]] = {}
    for record in records:
        _add(found, record)
    return found


def _add(found: dict[str, list[Row]], record: Record) -> None:
    at_ms, number, event = record.wall_ms, record.number, record.event
    if event is not None:
        kind, body = encode_event(event)
        found.setdefault("events", []).append(
            {
                "number": number,
                "mono_ms": event.mono_ms,
                "wall_ms": event.wall_ms,
                "kind": kind,
                "body": body,
            }
        )
    if type(event) is Motion:
        found.setdefault("motions", []).append(_motion(number, event))
    for decision in record.decisions:
        found.setdefault("decisions", []).append(_decision(number, decision))
    for cue in record.cues:
        found.setdefault("cues", []).append(_cue(at_ms, cue))
    if record.health is not None or record.report is not None:
        _add_board(found, record)
    if record.alert is not None:
        alert = record.alert
        found.setdefault("alerts", []).append(
            {"at_ms": at_ms, "key": alert.key, "state": alert.state, "text": alert.text}
        )
    if record.action is not None:
        action = record.action
        found.setdefault("actions", []).append(
            {"at_ms": at_ms, "by": action.by, "what": action.what, "about": action.about}
        )
    if record.snapshot is not None:
        found.setdefault("snapshots", []).append(
            {
                "number": number,
                "mono_ms": record.mono_ms,
                "wall_ms": at_ms,
                "show_version": record.show_version,
                "clean": False,
                "body": json.dumps(record.snapshot, separators=(",", ":")),
            }
        )


def _motion(number: int, event: Motion) -> Row:
    return {
        "number": number,
        "at_ms": event.wall_ms,
        "board": event.board,
        "sensor": event.sensor,
        "boot": event.boot,
        "seq": event.seq,
        "age_ms": event.age_ms,
    }


def _decision(number: int, decision: Decision) -> Row:
    motion = decision.motion
    return {
        "number": number,
        "at_ms": decision.wall_ms,
        "source": str(decision.source),
        "board": motion.board if motion is not None else None,
        "boot": motion.boot if motion is not None else None,
        "seq": motion.seq if motion is not None else None,
        "sensor": decision.sensor,
        "prop": decision.prop,
        "outcome": str(decision.outcome),
        "reason": decision.reason,
        "behaviour": decision.behaviour,
        "cue": decision.cue,
        "waited_ms": decision.waited_ms,
        "margin": decision.margin,
    }


def _cue(at_ms: int, cue: SendCue) -> Row:
    return {
        "at_ms": at_ms,
        "cue": cue.cue,
        "board": cue.board,
        "prop": cue.prop,
        "behaviour": cue.behaviour,
        "epoch": cue.epoch,
        "max_ms": cue.max_ms,
        "line": cue.line,
    }


def _add_board(found: dict[str, list[Row]], record: Record) -> None:
    health, report = record.health, record.report
    if health is not None:
        found.setdefault("health", []).append(
            {
                "at_ms": record.wall_ms,
                "board": health.board,
                "boot": health.boot,
                "up_ms": health.up_ms,
                "battery_mv": health.battery_mv,
                "charge_percent": health.charge_percent,
                "rssi": health.rssi,
                "reset": health.reset,
                "starts": json.dumps(health.starts, separators=(",", ":")),
                "motions": json.dumps(health.motions, separators=(",", ":")),
            }
        )
    if report is not None:
        found.setdefault("reports", []).append(
            {
                "at_ms": record.wall_ms,
                "board": report.board,
                "cue": report.cue,
                "boot": report.boot,
                "state": report.state,
                "why": report.why,
            }
        )
