"""The rules of a prop and of the whole show that ask about no single behaviour.

A never rule gives PASSES or the margin it bars by; a clears rule PASSES or the instant it clears.
"""

from haunt.core.calendar import HOUR_MS
from haunt.core.moment import cooldown_ms, doors_open
from haunt.core.night import FOR_EVER, PASSES, Item, Night, Prop

# --- never rules


def stale(_night: Night, _prop: Prop, item: Item) -> int:
    """Judged on arrival: patience had run out before the motion came."""
    return item.late_ms


def stopped(night: Night, _prop: Prop, item: Item) -> int:
    """Also what happened before a release had counted to its end."""
    if night.stopped:
        return 0
    if item.sensor is not None and item.happened_ms < night.released_ms:
        return 0
    return PASSES


def walk_test(night: Night, _prop: Prop, item: Item) -> int:
    return 0 if night.walk_test and not item.hands_clear else PASSES


def closed(night: Night, _prop: Prop, _item: Item) -> int:
    return PASSES if doors_open(night) else 0


def held(night: Night, prop: Prop, _item: Item | None) -> int:
    if not prop.held:
        return PASSES
    if prop.held_until_ms is None:
        return 0
    left = prop.held_until_ms - night.now_ms
    return left if left > 0 else PASSES


def locked_out(_night: Night, prop: Prop, _item: Item | None) -> int:
    return 0 if prop.locked_by else PASSES


def out_of_service(_night: Night, prop: Prop, _item: Item | None) -> int:
    return 0 if prop.out_of_service else PASSES


def offline(night: Night, prop: Prop, _item: Item) -> int:
    board = prop.board
    if board.here:
        return PASSES
    return night.now_ms - board.gone_ms if board.gone_ms is not None else 0


def no_link(night: Night, _prop: Prop, _item: Item) -> int:
    return PASSES if night.link_up else 0


def low_battery(_night: Night, prop: Prop, _item: Item | None) -> int:
    if not prop.retired:
        return PASSES
    charge, retire = prop.board.charge_percent, prop.spec.retire_percent
    return max(0, retire - charge) if charge is not None and retire is not None else 0


def already_waiting(_night: Night, prop: Prop, item: Item) -> int:
    return PASSES if prop.waiting is None or prop.waiting is item else 0


# --- clears rules


def playing(night: Night, prop: Prop, _item: Item) -> int:
    if prop.play is None:
        return PASSES
    return prop.play.busy_until_ms + cooldown_ms(night, prop)


def cooldown(night: Night, prop: Prop, _item: Item) -> int:
    if prop.last_end_ms is None or prop.play is not None:
        return PASSES
    until = prop.last_end_ms + cooldown_ms(night, prop)
    return until if until > night.now_ms else PASSES


def hourly_cap(night: Night, prop: Prop, _item: Item) -> int:
    cap = prop.spec.hourly_cap
    if cap is None:
        return PASSES
    if cap <= 0:
        return FOR_EVER
    starts = prop.starts_ms
    if len(starts) < cap or starts[-cap] <= night.now_ms - HOUR_MS:
        return PASSES
    return starts[-cap] + HOUR_MS
