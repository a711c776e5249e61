"""One sentence for one decision: what became of it, which rule decided, by how much."""

from collections.abc import Mapping
from typing import Any

from haunt.core.rules import ENDINGS, RULE, Unit

SHOWN_MS = 100
"""A shorter wait is the wire's, not a rule's."""

_WHY = {
    "unknown-sensor": "the sensor {sensor} is not in the inventory",
    "muted": "the sensor {sensor} is muted",
    "warming-up": "the sensor {sensor} is warming up",
    "block-time": "the sensor {sensor} reported just before",
    "lingering": "the same group is still there",
    "wrong-way": "nobody came past the sensor before it",
    "self-trigger": "the sensor {sensor} sees a prop that was playing",
    "no-prop": "the sensor {sensor} is linked to no prop",
    "stale": "the motion came too late",
    "stopped": "the show is stopped",
    "walk-test": "walk test is on",
    "closed": "the show is closed, or closes before it would end",
    "held": "the prop is on hold",
    "locked-out": "somebody is working on it",
    "out-of-service": "it is out of service",
    "offline": "its board is lost",
    "no-link": "the controller has no broker",
    "low-battery": "its pack is too low",
    "already-waiting": "another group waits for it",
    "playing": "it was playing",
    "cooldown": "it rests",
    "hourly-cap": "it has played as often as allowed this hour",
    "duty": "its motor must cool",
    "audience": "nothing it does is gentle enough for this phase",
    "quiet-hours": "nothing it does is quiet enough for the quiet hours",
    "stagger": "a neighbour's turn",
    "talk-over": "a prop close by is speaking",
    "supply": "its supply is at its limit",
    "flash": "too many flashes would be seen at once",
    "sound-limit": "it would be too loud at the property line",
    "left": "the group had gone",
    "restart": "the controller was restarting",
}


def sentence(decision: Mapping[str, Any], names: Mapping[str, str] | None = None) -> str:
    """Say a decision (by the keys of the API's JSON) in words; `names` are shown for ids."""
    shown = names or {}
    outcome, reason = decision["outcome"], decision.get("reason")
    waited_ms = decision.get("waited_ms") or 0
    if waited_ms < SHOWN_MS:
        waited_ms = 0
    if outcome == "fired":
        after = f" after {waited_ms / 1000:.1f} s of waiting" if waited_ms else ""
        return f"Fired {decision.get('behaviour')}{_source(decision)}{after}."
    sensor = str(decision.get("sensor") or "")
    why = _WHY[str(reason)].format(sensor=shown.get(sensor, sensor))
    what = "Too late" if outcome == "lapsed" else "Refused"
    waited = f" Waited {waited_ms / 1000:.1f} s." if waited_ms else ""
    return f"{what}: {why}{_margin(str(reason), decision.get('margin'))}.{waited}"


def _source(decision: Mapping[str, Any]) -> str:
    return {"hand": " by hand", "timetable": " by the timetable"}.get(str(decision["source"]), "")


def _margin(reason: str, margin: int | None) -> str:
    unit = RULE[reason].unit if reason in RULE else Unit.NONE
    if margin is None or unit is Unit.NONE:
        return ""
    if unit is Unit.PERCENT_UNDER:
        return f", {margin} points under its level"
    word = "left" if unit is Unit.MS_LEFT else "late"
    if reason == "offline":
        word = "by then"
    return f", {margin / 1000:.1f} s {word}"


def reasons() -> list[str]:
    """Every reason that a decision can have, rules first."""
    return [*RULE, *ENDINGS]
