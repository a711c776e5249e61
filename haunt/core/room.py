"""Room among shared limits, voices and a motor's duty: which behaviours fit, and from when.

Asks the rules that narrow and clear; room only grows until somebody starts.
"""

from haunt.core.night import FOR_EVER, Night, Prop
from haunt.core.plays import DUTY_WINDOW_MS
from haunt.core.rules import NARROWING_CLEARS, Rule
from haunt.core.show import Behaviour

Behaviours = tuple[Behaviour, ...]


def is_tight(prop: Prop) -> bool:
    """Say whether any behaviour might not fit: most motions need no look one by one."""
    for load, amount in prop.peaks:
        if load.total + amount > load.spec.limit:
            return True
    for other in prop.voice_neighbours:
        if other.play is not None:
            return True
    return prop.duty_ms is not None and prop.on_total_ms + prop.longest_ms > prop.duty_ms


def fitting(
    night: Night, prop: Prop, allowed: Behaviours, at_ms: int
) -> tuple[Behaviours, Rule | None]:
    """Narrow to what fits at an instant; name the rule that leaves none, in table order.

    A behaviour falls to the first rule that bars it, so the set is emptied by the last of those.
    """
    fit: list[Behaviour] = []
    last: Rule | None = None
    for behaviour in allowed:
        for rule, bars in NARROWING_CLEARS:
            if bars(night, prop, behaviour, at_ms):
                if last is None or rule.order > last.order:
                    last = rule
                break
        else:
            fit.append(behaviour)
    return (tuple(fit), None) if fit else ((), last)


def any_fits(night: Night, prop: Prop, allowed: Behaviours, at_ms: int) -> bool:
    for behaviour in allowed:
        for _rule, bars in NARROWING_CLEARS:
            if bars(night, prop, behaviour, at_ms):
                break
        else:
            return True
    return False


def room_at(night: Night, prop: Prop, allowed: Behaviours) -> int:
    """Return the first instant at which one behaviour would fit if nothing else started."""
    now = night.now_ms
    ends: set[int] = set()
    for index in {index for behaviour in allowed for index, _ in behaviour.draws}:
        ends.update(until for _, until in night.loads[index].playing.values())
    for other in prop.voice_neighbours:
        if other.play is not None:
            ends.add(other.play.busy_until_ms)
    for behaviour in allowed:
        ends.update(_duty_instants(prop, behaviour))
    for at_ms in sorted(ends):
        if at_ms > now and any_fits(night, prop, allowed, at_ms):
            return at_ms
    return FOR_EVER


def _duty_instants(prop: Prop, behaviour: Behaviour) -> list[int]:
    """Instants at which enough on-time has left the window for this behaviour, if any."""
    if prop.duty_ms is None or not behaviour.motor_on_ms:
        return []
    excess = prop.on_total_ms + behaviour.motor_on_ms - prop.duty_ms
    found = []
    for began, until in prop.on_times:
        if 0 < excess <= until - began:
            left = began + excess + DUTY_WINDOW_MS - behaviour.duration_ms
            found.append(left)
        excess -= until - began
        if excess <= 0:
            break
    return found
