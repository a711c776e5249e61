"""Views and decisions in the shapes that the API promises."""

from haunt.core.decisions import Decision
from haunt.live.errors import CrewMistake
from haunt.live.views import NightView, PropView
from haunt.live.why.facts import Because
from haunt.site.ports import Item
from haunt.store.instants import rfc3339, rfc3339_or_none


def decision_json(decision: Decision, because: Because | None = None) -> Item:
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
        "because": because.as_json() if because is not None else None,
    }


def prop_json(prop: PropView, night: NightView) -> Item:
    last = prop.last_decision
    return {
        "id": prop.id,
        "name": prop.name,
        "board": prop.board,
        "state": str(prop.word),
        "until": rfc3339_or_none(prop.until_ms),
        "behaviour": prop.behaviour,
        "behaviours": list(prop.behaviours),
        "cooldown_s": prop.cooldown_ms / 1000,
        "here": prop.here,
        "last_heard": rfc3339_or_none(prop.last_heard_ms),
        "battery_mv": prop.battery_mv,
        "charge_percent": prop.charge_percent,
        "rssi": prop.rssi,
        "arm_by_hand": prop.arm_by_hand,
        "held_by": prop.held_by,
        "unconfirmed": prop.unconfirmed,
        "fired": prop.fired,
        "refused": prop.refused,
        "lapsed": prop.lapsed,
        "last_motion": rfc3339_or_none(prop.last_motion_ms),
        "last_decision": decision_json(last, prop.because) if last is not None else None,
        "sentence": prop.sentence,
        "stopped": night.stopped,
    }


def known_prop_json(prop: str, night: NightView) -> Item:
    """Raises CrewMistake where the show has no such prop."""
    if prop not in night.props:
        raise CrewMistake(f"there is no prop {prop!r}", about=prop, missing=True)
    return prop_json(night.props[prop], night)


def stop_json(night: NightView) -> Item:
    """How the show stands; `unheard` are boards that did not say they are still."""
    return {
        "stopped": night.stopped,
        "by": night.stopped_by,
        "since": rfc3339_or_none(night.stopped_since_ms),
        "epoch": night.epoch,
        "release_at": rfc3339_or_none(night.release_at_ms),
        "unheard": list(night.stop_unheard),
    }
