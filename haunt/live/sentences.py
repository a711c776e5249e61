"""A decision in words: the rule with its number and limit, what it goes back to, what would change.

Words only. The facts come with the decision (`why/because.py`) or are missing; then less is said.
"""

from collections.abc import Mapping
from typing import Any, Final

from haunt.core import calendar
from haunt.core.rules import ENDINGS, RULE
from haunt.live.why import propwords, sensorwords
from haunt.live.why.words import Facts, Names, Said, Say, TellTime, seconds

__all__ = ["Names", "Said", "reasons", "said", "sentence", "utc"]

ENDS: Final = (".", "!", "?", "\N{HORIZONTAL ELLIPSIS}")
SHOWN_MS: Final = 100
"""A shorter wait is the wire's, not a rule's."""

SAYINGS: Final[dict[str, Say]] = {
    "unknown-sensor": sensorwords.unknown_sensor,
    "muted": sensorwords.muted,
    "warming-up": sensorwords.warming_up,
    "block-time": sensorwords.block_time,
    "lingering": sensorwords.lingering,
    "wrong-way": sensorwords.wrong_way,
    "self-trigger": sensorwords.self_trigger,
    "no-prop": sensorwords.no_prop,
    "stale": propwords.stale,
    "stopped": sensorwords.stopped,
    "walk-test": sensorwords.walk_test,
    "closed": sensorwords.closed,
    "held": sensorwords.held,
    "locked-out": sensorwords.locked_out,
    "out-of-service": sensorwords.out_of_service,
    "offline": sensorwords.offline,
    "no-link": sensorwords.no_link,
    "low-battery": propwords.low_battery,
    "already-waiting": propwords.already_waiting,
    "playing": propwords.playing,
    "cooldown": propwords.cooldown,
    "hourly-cap": propwords.hourly_cap,
    "duty": propwords.duty,
    "audience": propwords.audience,
    "quiet-hours": propwords.quiet_hours,
    "stagger": propwords.stagger,
    "talk-over": propwords.talk_over,
    "supply": propwords.load(
        "supply",
        "mA",
        1,
        " on {}",
        "A behaviour that draws less would have fitted, or a later motion",
    ),
    "flash": propwords.load(
        "flash",
        "Hz",
        1000,
        " in view {}",
        "A calmer behaviour would have fitted, or a later motion",
    ),
    "sound-limit": propwords.load(
        "sound limit",
        "dBA",
        1,
        " at {} (give or take 6 dB)",
        "A quieter behaviour would have fitted, or a later motion",
    ),
    "left": sensorwords.left,
    "restart": sensorwords.restart,
}


def utc(at_ms: int) -> str:
    return f"{calendar.utc(at_ms):%H:%M:%S} UTC"


def said(decision: Mapping[str, Any], names: Names | None = None, clock: TellTime = utc) -> Said:
    """Say a refused or lapsed decision, by the keys of the API's JSON."""
    facts = Facts(decision, names or Names(), clock)
    what, cause, would = SAYINGS[str(decision["reason"])](facts)
    verdict = "Too late" if decision["outcome"] == "lapsed" else "Refused"
    waited_ms = _waited_ms(decision) if decision["outcome"] == "lapsed" else 0
    if waited_ms:
        cause = f"{cause}. Waited {seconds(waited_ms)}" if cause else f"Waited {seconds(waited_ms)}"
    return Said(f"{verdict}: {what}", cause, would)


def sentence(decision: Mapping[str, Any], names: Names | None = None, clock: TellTime = utc) -> str:
    """Say any decision. Instants are printed by `clock`."""
    if decision["outcome"] == "fired":
        waited_ms = _waited_ms(decision)
        after = f" after {waited_ms / 1000:.1f} s of waiting" if waited_ms else ""
        return f"Fired {decision.get('behaviour')}{_source(decision)}{after}{_spoken(decision)}"
    return str(said(decision, names, clock))


def _waited_ms(decision: Mapping[str, Any]) -> int:
    waited_ms = int(decision.get("waited_ms") or 0)
    return waited_ms if waited_ms >= SHOWN_MS else 0


def _spoken(decision: Mapping[str, Any]) -> str:
    """End the sentence, with the line that was said where there was one; its own end is enough."""
    line = decision.get("line")
    if not line:
        return "."
    end = "" if str(line).endswith(ENDS) else "."
    return f", saying \N{LEFT DOUBLE QUOTATION MARK}{line}\N{RIGHT DOUBLE QUOTATION MARK}{end}"


def _source(decision: Mapping[str, Any]) -> str:
    return {"hand": " by hand", "timetable": " by the timetable"}.get(str(decision["source"]), "")


def reasons() -> list[str]:
    """Every reason that a decision can have, rules first."""
    return [*RULE, *ENDINGS]
