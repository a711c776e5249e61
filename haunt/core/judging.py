"""One look at one trigger: fire, refuse, let it wait, or let it lapse.

A *never* rule that bars wins over every *clears* rule; among the clears rules the one that clears
last decides, and where that is within the visitor's patience the trigger waits.
"""

from haunt.core import plays
from haunt.core.behaviourrules import plays_past_closing
from haunt.core.decisions import Outcome, Source
from haunt.core.lines import next_line
from haunt.core.night import FOR_EVER, PASSES, Item, Night, Prop
from haunt.core.room import Behaviours, any_fits, fitting, is_tight, room_at
from haunt.core.rules import (
    CLEARS_RULES,
    NARROWING_CLEARS,
    NARROWING_NEVER,
    NEVER_RULES,
    RULE,
    Rule,
)
from haunt.core.turns import claim

_CLOSED = RULE["closed"]
_FIRST_OF_ROOM = NARROWING_CLEARS[0][0].order


def settle(night: Night) -> None:
    """Judge all that is due at this instant, in the one order, until nothing is left to look at.

    Order: a standing claim, priority, how long the prop has not fired, arrival.
    """
    while agenda := night.agenda:
        if len(agenda) == 1:
            item = agenda.pop()
            if item.alive:
                judge(night, item)
            continue
        batch = {item.arrival: item for item in night.agenda if item.alive}
        night.agenda.clear()
        due = list(batch.values())
        if len(due) > 1:
            due.sort(key=lambda item: _order(item, night.now_ms))
        for item in due:
            if item.alive:
                judge(night, item)


def _order(item: Item, now: int) -> tuple[int, int, int, int]:
    prop = item.prop
    last = -1 if prop.last_start_ms is None else prop.last_start_ms
    claims = prop.claim_until_ms >= now  # it may end at the very instant at which the gap does
    return (0 if claims else 1, -prop.spec.priority, last, item.arrival)


def judge(night: Night, item: Item) -> None:
    prop = item.prop
    by_hand = item.source is Source.HAND
    for rule, test in NEVER_RULES:
        margin = test(night, prop, item)
        if margin >= 0 and not (by_hand and rule.hand_overrules):
            return night.decide(item, Outcome.REFUSED, rule.reason, margin or None)
    allowed, barred_by = _allowed(night, prop, item)
    if barred_by is not None:
        return night.decide(item, Outcome.REFUSED, barred_by.reason)
    now = night.now_ms
    deadline = item.due_ms
    if item.source is Source.MOTION:
        deadline += max([each.patience_ms for each in allowed])
        if now > item.due_ms:  # a startle that comes late hits nobody
            allowed = tuple(b for b in allowed if item.due_ms + b.patience_ms >= now)
    rule_, clears_ms, fit = _what_bars(night, prop, item, allowed)
    if rule_ is not None:
        return _barred(night, item, rule_, clears_ms, deadline)
    if not allowed:  # what is still allowed is for the quick: see patience on a behaviour
        waited = prop.waiting is item
        outcome = Outcome.LAPSED if waited else Outcome.REFUSED
        return night.decide(item, outcome, "stale", now - deadline)
    if prop.waiting is item and _has_left(item, now):
        return night.decide(item, Outcome.LAPSED, "left")
    return _fire(night, prop, item, fit)


def _allowed(night: Night, prop: Prop, item: Item) -> tuple[Behaviours, Rule | None]:
    """Return the behaviours that no never rule bars, or the rule that left none."""
    now, piece = night.now_ms, night.piece()
    steady = (
        item.behaviour is None
        and night.doors == "timetable"
        and not night.extend_ms  # an extended closing lies within a piece
        and night.hand_phase_until_ms <= now
        and now + night.offset_ms + prop.longest_ms < piece.until_ms
    )
    if steady and prop.allowed_in is piece:
        return prop.allowed, None
    behaviours = prop.spec.behaviours
    if item.behaviour is not None:
        behaviours = tuple(each for each in behaviours if each.id == item.behaviour)
    allowed, rule = _without_never(night, prop, behaviours, by_hand=item.source is Source.HAND)
    if steady and rule is None and item.source is not Source.HAND:
        prop.allowed, prop.allowed_in = allowed, piece
    return allowed, rule


def barred_by(night: Night, prop: Prop) -> str:
    """Return the reason for which no visitor can set this prop off now, whatever it has played.

    Empty where a behaviour is left. Rests and room are no such reason: they pass.
    """
    _left, rule = _without_never(night, prop, prop.spec.behaviours, by_hand=False)
    return rule.reason if rule is not None else ""


def _without_never(
    night: Night, prop: Prop, behaviours: Behaviours, *, by_hand: bool
) -> tuple[Behaviours, Rule | None]:
    now = night.now_ms
    if not by_hand:
        behaviours = tuple(b for b in behaviours if not plays_past_closing(night, b, now))
        if not behaviours:
            return behaviours, _CLOSED
    for rule, bars in NARROWING_NEVER:
        behaviours = tuple(b for b in behaviours if not bars(night, prop, b, now))
        if not behaviours:
            return behaviours, rule
    return behaviours, None


def _what_bars(
    night: Night, prop: Prop, item: Item, allowed: Behaviours
) -> tuple[Rule | None, int, Behaviours]:
    """Return the clears rule that clears last with its instant, and the behaviours that fit now."""
    worst: Rule | None = None
    worst_ms = PASSES
    by_hand = item.source is Source.HAND
    for rule, test in CLEARS_RULES:
        if by_hand and rule.hand_overrules:
            continue
        clears_ms = test(night, prop, item)
        if clears_ms > worst_ms:
            worst, worst_ms = rule, clears_ms
    if not prop.narrows or not is_tight(prop):
        return worst, worst_ms, allowed
    earlier = worst is not None and worst.order < _FIRST_OF_ROOM
    if earlier and any_fits(night, prop, allowed, worst_ms):  # room only grows until a start
        return worst, worst_ms, ()
    fit, narrowest = fitting(night, prop, allowed, night.now_ms)
    if narrowest is None:
        return worst, worst_ms, fit
    clears_ms = room_at(night, prop, allowed)
    ties = worst is not None and clears_ms == worst_ms and narrowest.order < worst.order
    if clears_ms > worst_ms or ties:
        worst, worst_ms = narrowest, clears_ms
    return worst, worst_ms, fit


def _barred(night: Night, item: Item, rule: Rule, clears_ms: int, deadline_ms: int) -> None:
    prop, now = item.prop, night.now_ms
    if rule.reason == "stagger":
        claim(night, prop)
    if item.source is Source.MOTION and clears_ms <= deadline_ms:
        if prop.waiting is None:
            prop.waiting = item
            night.waiting[prop.spec.id] = item
            night.touched.add(prop.spec.id)
        if item.wake_ms != clears_ms:
            item.wake_ms = clears_ms
            night.wake(clears_ms, item)
        return
    waited = prop.waiting is item
    margin = clears_ms - now if clears_ms < FOR_EVER else None
    night.decide(item, Outcome.LAPSED if waited else Outcome.REFUSED, rule.reason, margin)


def _has_left(item: Item, now: int) -> bool:
    """Say whether the group in front of a sensor that sees people standing has gone."""
    sensor = item.sensor
    if sensor is None or not sensor.spec.stays or sensor.last_seen_ms is None:
        return False
    delay = item.due_ms - item.happened_ms
    return now - sensor.last_seen_ms > delay + sensor.spec.fresh_ms


def _fire(night: Night, prop: Prop, item: Item, fit: Behaviours) -> None:
    behaviour = plays.choose(night, prop, item, fit) if len(fit) > 1 else fit[0]
    night.decide(item, Outcome.FIRED, None, None, behaviour.id)
    saying = next_line(night, prop, behaviour, item.cue) if behaviour.lines else None
    plays.start(night, prop, item, behaviour, saying)
    night.relook_around(prop)
