"""What a rule measured when it decided: the number, its limit, since when, who or what it was.

It is read at once from the state that the decision left, and changes nothing.
"""

from typing import Final

from haunt.core.decisions import Decision
from haunt.core.night import Night
from haunt.live.hands import Hands
from haunt.live.why import props, sensors
from haunt.live.why.facts import NOTHING, Because, Case, Find


def because(night: Night, decision: Decision, hands: Hands) -> Because | None:
    """Return what there is to say beyond the margin; None for a firing."""
    if decision.reason is None:
        return None
    find = _FINDS.get(decision.reason)
    return find(Case(night, decision, hands)) if find is not None else NOTHING


_FINDS: Final[dict[str, Find]] = {
    "unknown-sensor": sensors.unknown,
    "muted": sensors.muted,
    "warming-up": sensors.warming_up,
    "block-time": sensors.block_time,
    "lingering": sensors.lingering,
    "wrong-way": sensors.wrong_way,
    "self-trigger": sensors.self_trigger,
    "no-prop": sensors.no_prop,
    "stale": props.stale,
    "stopped": sensors.stopped,
    "walk-test": lambda case: case.hand("walk test"),
    "closed": sensors.closed,
    "held": sensors.held,
    "locked-out": sensors.locked_out,
    "out-of-service": sensors.out_of_service,
    "offline": sensors.offline,
    "no-link": sensors.no_link,
    "low-battery": props.low_battery,
    "already-waiting": props.already_waiting,
    "playing": props.playing,
    "cooldown": props.cooldown,
    "hourly-cap": props.hourly_cap,
    "duty": props.duty,
    "audience": props.audience,
    "quiet-hours": props.quiet_hours,
    "stagger": props.stagger,
    "talk-over": props.talk_over,
    "supply": props.load("supply", props.same),
    "flash": props.load("flash", props.same),
    "sound-limit": props.load("sound-limit", props.dba),
    "left": sensors.left,
    "restart": sensors.restart,
}
