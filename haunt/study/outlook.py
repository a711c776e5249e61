"""Many rehearsed nights in figures: the middle, and how far a night may be off it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from haunt.core.show import Show
from haunt.study.rehearsal import Ground, Plan, Rehearsed


@dataclass(frozen=True, slots=True)
class Spread:
    """The middle of many nights, and what nine nights of ten stay above, and below."""

    median: float
    low: float
    high: float
    mean: float

    @classmethod
    def of(cls, values: Sequence[float]) -> "Spread":
        ordered = sorted(values)
        return cls(
            _at(ordered, 0.5), _at(ordered, 0.1), _at(ordered, 0.9), sum(ordered) / len(ordered)
        )


def _at(ordered: Sequence[float], share: float) -> float:
    """Return the value at a share of the way, between neighbours in proportion."""
    place = share * (len(ordered) - 1)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    return ordered[below] + (ordered[above] - ordered[below]) * (place - below)


@dataclass(frozen=True, slots=True)
class PropOutlook:
    """`share` is answered of visits; `why` the reason most often given for a refusal."""

    prop: str
    name: str
    visits: Spread
    share: Spread
    starts: Spread
    wait_s: Spread
    why: str


@dataclass(frozen=True, slots=True)
class PackOutlook:
    """`flat_share` of the nights it falls below the level at which a prop of it retires.

    `flat_at_ms` is the middle of those instants, UTC.
    """

    board: str
    left_percent: Spread
    flat_share: float
    flat_at_ms: int | None


@dataclass(frozen=True, slots=True)
class Outlook:
    """Many rehearsed nights in figures. `starved` answers fewest, `slowest` lets wait longest."""

    nights: int
    opens_ms: int
    closes_ms: int
    time_zone: str
    profile: str
    source: str
    groups: Spread
    people: Spread
    visits: Spread
    share: Spread
    wait_s: Spread
    clashes: Spread
    loud_min: Spread
    props: tuple[PropOutlook, ...]
    packs: tuple[PackOutlook, ...]
    starved: str | None
    slowest: str | None


def outlook(ground: Ground, plan: Plan, nights: Sequence[Rehearsed]) -> Outlook:
    props = tuple(_prop_outlook(ground.show, each.id, nights) for each in ground.show.props)
    packs = tuple(_pack_outlook(board, nights) for board in nights[0].left_percent)
    seen = [each for each in props if each.visits.median > 0]
    several = seen if len(seen) > 1 else []  # one alone is neither the best nor the worst
    starved = min(several, key=lambda each: each.share.median, default=None)
    slowest = max(several, key=lambda each: each.wait_s.median, default=None)
    figures = [each.figures for each in nights]
    return Outlook(
        nights=len(nights),
        opens_ms=ground.opens_ms,
        closes_ms=ground.closes_ms,
        time_zone=ground.show.time_zone,
        profile=plan.profile.name,
        source=plan.profile.source,
        groups=Spread.of([each.groups for each in nights]),
        people=Spread.of([each.people for each in nights]),
        visits=Spread.of([each.visits for each in figures]),
        share=Spread.of([_share(each.answered, each.visits) for each in figures]),
        wait_s=Spread.of([each.mean_wait_ms / 1000 for each in figures]),
        clashes=Spread.of([each.clashes for each in figures]),
        loud_min=Spread.of([each.loud_ms / 60_000 for each in figures]),
        props=props,
        packs=packs,
        starved=starved.prop if starved is not None else None,
        slowest=slowest.prop if slowest is not None and slowest.wait_s.median > 0 else None,
    )


def _prop_outlook(show: Show, prop: str, nights: Sequence[Rehearsed]) -> PropOutlook:
    mine = [each.figures.props[prop] for each in nights]
    refused: Counter[str] = Counter()
    for each in mine:
        refused.update(each.refused)
    name = next(each.name for each in show.props if each.id == prop)
    return PropOutlook(
        prop,
        name,
        Spread.of([each.visits for each in mine]),
        Spread.of([_share(each.answered, each.visits) for each in mine]),
        Spread.of([each.fired for each in mine]),
        Spread.of([each.mean_wait_ms / 1000 for each in mine]),
        refused.most_common(1)[0][0] if refused else "",
    )


def _pack_outlook(board: str, nights: Sequence[Rehearsed]) -> PackOutlook:
    flat = sorted(each.flat_ms[board] for each in nights if board in each.flat_ms)
    return PackOutlook(
        board,
        Spread.of([each.left_percent[board] for each in nights]),
        len(flat) / len(nights),
        flat[len(flat) // 2] if flat else None,
    )


def _share(part: int, whole: int) -> float:
    return part / whole if whole else 0.0
