"""Facts of the rules of a prop and of the whole show."""

from collections.abc import Callable, Iterable
from math import log10

from haunt.core.calendar import HOUR_MS
from haunt.core.moment import cooldown_ms, strongest
from haunt.core.night import Load
from haunt.core.plays import DUTY_WINDOW_MS, on_time_since
from haunt.core.turns import comes_before
from haunt.live.why.facts import NOTHING, Because, Case, Find
from haunt.workshop.sound import POWER_SCALE


def low_battery(case: Case) -> Because:
    if case.prop is None:
        return NOTHING
    return Because(case.prop.board.charge_percent, case.prop.spec.retire_percent)


def stale(case: Case) -> Because:
    return Because(limit=case.prop.patience_ms) if case.prop is not None else NOTHING


def already_waiting(case: Case) -> Because:
    if case.decision.margin is not None:  # so many walk towards it that no more are taken on
        return Because(limit=case.decision.margin, also="walking")
    waiting = case.prop.waiting if case.prop is not None else None
    if waiting is None:
        return NOTHING
    return Because(since_ms=case.wall(waiting.due_ms), until_ms=case.later(waiting.wake_ms))


def playing(case: Case) -> Because:
    play = case.prop.play if case.prop is not None else None
    if play is None:
        return NOTHING
    return Because(
        limit=play.behaviour.duration_ms,
        since_ms=case.wall(play.started_ms),
        cause=play.behaviour.id,
    )


def cooldown(case: Case) -> Because:
    prop = case.prop
    if prop is None:
        return NOTHING
    return Because(
        prop.spec.cooldown_ms, cooldown_ms(case.night, prop), case.wall(prop.last_start_ms)
    )


def hourly_cap(case: Case) -> Because:
    prop, at_ms = case.prop, case.decision.at_ms
    if prop is None:
        return NOTHING
    recent = sum(at_ms - HOUR_MS < each <= at_ms for each in prop.starts_ms)
    return Because(recent, prop.spec.hourly_cap)


def duty(case: Case) -> Because:
    prop = case.prop
    if prop is None or prop.duty_ms is None:
        return NOTHING
    moving = [each for each in prop.spec.behaviours if each.motor_on_ms]
    least = min(moving, key=lambda each: each.motor_on_ms, default=None)
    if least is None:
        return NOTHING
    used = on_time_since(prop, case.decision.at_ms + least.duration_ms - DUTY_WINDOW_MS)
    return Because(used + least.motor_on_ms, prop.duty_ms)


# --- the whole show


def audience(case: Case) -> Because:
    night, prop = case.night, case.prop
    piece = night.calendar.piece(case.decision.wall_ms)
    intensity, flash = strongest(night, piece, case.decision.at_ms)
    cause = ", ".join(piece.phases)
    if night.hand_phase_until_ms > case.decision.at_ms:
        cause = night.hand_phase or cause
    behaviours = prop.spec.behaviours if prop is not None else ()
    mildest = min((each.intensity for each in behaviours), default=0)
    if mildest > intensity:
        return Because(mildest, intensity, cause=cause)
    still = min((b.flash_mhz for b in behaviours if b.intensity <= intensity), default=0)
    return Because(still, flash, cause=cause, also="flash")


def quiet_hours(case: Case) -> Because:
    night, at_ms = case.night, case.decision.wall_ms
    behaviours = case.prop.spec.behaviours if case.prop is not None else ()
    longest = max((each.duration_ms for each in behaviours), default=0)
    piece = night.calendar.piece(at_ms)
    into = not piece.quiet
    if into:  # it would have played into them
        piece = night.calendar.piece(at_ms + longest)
    levels = [each.level_dba for each in behaviours]
    known = [each for each in levels if each is not None]
    quietest = round(min(known)) if known and len(known) == len(levels) else None
    limit = None if piece.quiet_dba is None else round(piece.quiet_dba)
    edge = piece.from_ms if into else piece.until_ms
    return Because(quietest, limit, until_ms=edge, also="into" if into else "")


def stagger(case: Case) -> Because:
    """Name what cleared last: a neighbour's start, or the claim of one whose turn it is."""
    night, prop, now = case.night, case.prop, case.decision.at_ms
    if prop is None:
        return NOTHING
    gap, margin = night.show.gap_ms, case.decision.margin
    started = [
        (other.last_start_ms, other.spec.id)
        for other in prop.neighbours
        if other.last_start_ms is not None and now - gap < other.last_start_ms <= now
    ]
    at, who = max(started, default=(now - gap, ""))
    if who and (margin is None or at + gap - now >= margin):
        return Because(now - at, gap, case.wall(at), cause=who)
    claims = [other.spec.id for other in prop.neighbours if comes_before(other, prop, now)]
    return Because(limit=gap, cause=claims[0] if claims else "", also="claim")


def talk_over(case: Case) -> Because:
    for other in case.prop.voice_neighbours if case.prop is not None else ():
        play = other.play
        if play is not None and play.behaviour.voice:
            return Because(
                limit=play.behaviour.duration_ms,
                since_ms=case.wall(play.started_ms),
                cause=other.spec.id,
            )
    return NOTHING


def load(reason: str, shown: Callable[[int], int]) -> Find:
    def find(case: Case) -> Because:
        loads = _over(case, reason)
        if not loads:
            return NOTHING
        load, least = loads[0]
        number = shown(load.total + least)
        return Because(number, shown(load.spec.limit), cause=load.spec.name)

    return find


def _over(case: Case, reason: str) -> list[tuple[Load, int]]:
    """Loads of this kind that the least of the prop's behaviours would have passed."""
    found: dict[int, int] = {}
    for behaviour in case.prop.spec.behaviours if case.prop is not None else ():
        for index, amount in behaviour.draws:
            if case.night.loads[index].spec.reason == reason:
                found[index] = min(amount, found.get(index, amount))
    loads: Iterable[tuple[Load, int]] = ((case.night.loads[i], least) for i, least in found.items())
    return [each for each in loads if each[0].total + each[1] > each[0].spec.limit]


def dba(power: int) -> int:
    return round(10 * log10(max(1, power) / POWER_SCALE))


def same(amount: int) -> int:
    return amount
