"""Views and decisions in the shapes that the API promises."""

from datetime import UTC, datetime
from typing import Any

from haunt.core.decisions import Decision
from haunt.live.views import NightView, PropView


def decision_json(decision: Decision) -> dict[str, Any]:
    """A decision that has no row yet, in the shape of the lists save for the id."""
    motion = decision.motion
    return {
        "id": None,
        "at": rfc3339(decision.wall_ms),
        "source": str(decision.source),
        "motion": "-".join(map(str, motion)) if motion is not None else None,
        "sensor": decision.sensor,
        "prop": decision.prop,
        "outcome": str(decision.outcome),
        "reason": decision.reason,
        "behaviour": decision.behaviour,
        "cue": decision.cue,
        "waited_ms": decision.waited_ms,
        "margin": decision.margin,
    }


def rfc3339(at_ms: int) -> str:
    return f"{datetime.fromtimestamp(at_ms // 1000, UTC):%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def prop_json(prop: PropView, night: NightView) -> dict[str, Any]:
    last = prop.last_decision
    return {
        "id": prop.id,
        "name": prop.name,
        "board": prop.board,
        "state": str(prop.word),
        "until": rfc3339(prop.until_ms) if prop.until_ms is not None else None,
        "behaviour": prop.behaviour,
        "behaviours": list(prop.behaviours),
        "cooldown_s": prop.cooldown_ms / 1000,
        "here": prop.here,
        "battery_mv": prop.battery_mv,
        "charge_percent": prop.charge_percent,
        "rssi": prop.rssi,
        "held_by": prop.held_by,
        "unconfirmed": prop.unconfirmed,
        "fired": prop.fired,
        "refused": prop.refused,
        "lapsed": prop.lapsed,
        "last_motion": rfc3339(prop.last_motion_ms) if prop.last_motion_ms else None,
        "last_decision": decision_json(last) if last is not None else None,
        "sentence": prop.sentence,
        "stopped": night.stopped,
    }
