"""Whose turn it is among neighbours: the rule `stagger`, and the claims that keep it fair.

A prop that the rule barred since its last start has the next turn, so that nobody starves.
"""

from haunt.core.night import FOR_EVER, PASSES, Item, Night, Prop


def stagger(night: Night, prop: Prop, _item: Item) -> int:
    """Bar while a neighbour started less than the gap ago, or its claim comes before this turn."""
    gap, now = night.show.gap_ms, night.now_ms
    until = PASSES
    if not gap:
        return until  # claims of before the show said so mean nothing
    for other in prop.neighbours:
        ends = _gap_ends_ms(other, gap)
        if ends > now:
            until = max(until, ends)
        if comes_before(other, prop, now):
            until = max(until, min(other.claim_until_ms, now + gap))
    return until


def comes_before(other: Prop, prop: Prop, now_ms: int) -> bool:
    """Say whether a neighbour holds a claim, and this prop started more recently than it."""
    mine, its = prop.last_start_ms, other.last_start_ms
    return other.claim_until_ms > now_ms and mine is not None and (its is None or its < mine)


def claim(night: Night, prop: Prop) -> None:
    """Barred since its last start, a prop has the next turn; the claims that alone bar it are used.

    A claim stands until it bars somebody while its prop could start, however long the next
    visitors take, and then for one gap: so a prop that nobody visits any more costs its
    neighbours one gap and no more.
    """
    now, gap = night.now_ms, night.show.gap_ms
    prop.claim_until_ms = FOR_EVER
    if _in_gap(prop, gap, now):
        return
    for other in prop.neighbours:
        standing = other.claim_until_ms == FOR_EVER and comes_before(other, prop, now)
        if standing and not _in_gap(other, gap, now):
            other.claim_until_ms = now + gap


def _in_gap(prop: Prop, gap_ms: int, now_ms: int) -> bool:
    return any(_gap_ends_ms(each, gap_ms) > now_ms for each in prop.neighbours)


def _gap_ends_ms(other: Prop, gap_ms: int) -> int:
    return PASSES if other.last_start_ms is None else other.last_start_ms + gap_ms
