"""Who came by: motions folded into passing groups, and which of them a prop answered.

One group makes many motions. Two motions for a prop belong to one group when less than
`APART_MS` lies between them.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple, Protocol

from haunt.core.events import Motion
from haunt.core.show import Show

APART_MS: Final = 10_000
"""Families walk at about 0.8 m/s with gaps of a few metres between them: common practice."""
NOT_ON: Final = frozenset({"walk-test", "closed"})
"""Refusals of whom nothing was meant for. A show that was stopped did miss its visitors."""
NOT_FIRING: Final = frozenset({"count", "stop", "hold", "gentle"})
"""What a button may do that is no visitor's passing."""


class Visit(NamedTuple):
    """A group in front of a prop, from its first to its last motion (steady clock)."""

    first_ms: int
    last_ms: int
    motions: int


def visits(
    motions: Iterable[Motion], show: Show, apart_ms: int = APART_MS
) -> dict[str, list[Visit]]:
    """Fold motions into groups, prop by prop. A motion that was delivered twice counts once."""
    links = {sensor.id: sensor.links for sensor in show.sensors}
    due: dict[str, set[int]] = {prop.id: set() for prop in show.props}
    for each in once(motions):
        for link in links.get(each.sensor, ()):
            due[link.prop].add(each.mono_ms - each.age_ms + link.delay_ms)
    return {prop: folded(sorted(instants), apart_ms) for prop, instants in due.items()}


class Judged(Protocol):
    """What matters here of a decision, of the core's or as it was kept."""

    @property
    def at_ms(self) -> int: ...
    @property
    def sensor(self) -> str | None: ...
    @property
    def reason(self) -> str | None: ...


def while_on(motions: Iterable[Motion], decisions: Iterable[Judged]) -> list[Motion]:
    """Leave out a crew in a walk test and whoever passes closed doors."""
    shut = {(each.sensor, each.at_ms) for each in decisions if each.reason in NOT_ON}
    return [each for each in motions if (each.sensor, each.mono_ms) not in shut]


def once(motions: Iterable[Motion]) -> list[Motion]:
    """Leave out what the broker delivered again."""
    return list({(each.board, each.boot, each.seq): each for each in motions}.values())


def folded(instants: Sequence[int], apart_ms: int = APART_MS) -> list[Visit]:
    """Fold instants in order: one group as long as less than `apart_ms` lies between two."""
    found: list[Visit] = []
    first = last = count = 0
    for at_ms in instants:
        if count and at_ms - last < apart_ms:
            last, count = at_ms, count + 1
            continue
        if count:
            found.append(Visit(first, last, count))
        first, last, count = at_ms, at_ms, 1
    if count:
        found.append(Visit(first, last, count))
    return found


def answered(
    found: Mapping[str, list[Visit]],
    starts: Mapping[str, list[int]],
    patience_ms: Mapping[str, int],
) -> dict[str, list[bool]]:
    """Say of each visit whether a behaviour started while the group was there."""
    waited = waits(found, starts, patience_ms)
    return {prop: [each is not None for each in mine] for prop, mine in waited.items()}


def waits(
    found: Mapping[str, list[Visit]],
    starts: Mapping[str, list[int]],
    patience_ms: Mapping[str, int],
) -> dict[str, list[int | None]]:
    """Return how long each group stood there before a behaviour started; None: none did.

    A group is there from its first motion to its last, and as long as its patience after that.
    """
    return {
        prop: _met(groups, sorted(starts.get(prop, ())), patience_ms.get(prop, 0))
        for prop, groups in found.items()
    }


def _met(groups: list[Visit], starts: list[int], patience_ms: int) -> list[int | None]:
    found: list[int | None] = []
    at = 0
    for group in groups:
        while at < len(starts) and starts[at] < group.first_ms:
            at += 1
        met = at < len(starts) and starts[at] <= group.last_ms + patience_ms
        found.append(starts[at] - group.first_ms if met else None)
    return found
