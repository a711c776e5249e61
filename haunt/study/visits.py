"""Who came by: motions folded into passing groups, and which of them a prop answered.

One group makes many motions. Two motions for a prop belong to one group when less than
`APART_MS` lies between them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from haunt.core.events import Motion
from haunt.core.show import Show

APART_MS = 10_000
"""Families walk at about 0.8 m/s with gaps of a few metres between them: common practice."""


@dataclass(frozen=True, slots=True)
class Visit:
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
    seen: set[tuple[str, str, int]] = set()
    for each in motions:
        key = (each.board, each.boot, each.seq)
        if key in seen:
            continue
        seen.add(key)
        for link in links.get(each.sensor, ()):
            due[link.prop].add(each.mono_ms - each.age_ms + link.delay_ms)
    return {prop: _fold(sorted(instants), apart_ms) for prop, instants in due.items()}


def _fold(instants: Sequence[int], apart_ms: int) -> list[Visit]:
    found: list[Visit] = []
    for at_ms in instants:
        last = found[-1] if found else None
        if last is not None and at_ms - last.last_ms < apart_ms:
            found[-1] = Visit(last.first_ms, at_ms, last.motions + 1)
        else:
            found.append(Visit(at_ms, at_ms, 1))
    return found


def answered(
    found: Mapping[str, list[Visit]],
    starts: Mapping[str, list[int]],
    patience_ms: Mapping[str, int],
) -> dict[str, list[bool]]:
    """Say of each visit whether a behaviour started while the group was there.

    A group is there from its first motion to its last, and as long as its patience after that.
    """
    return {
        prop: _met(groups, sorted(starts.get(prop, ())), patience_ms.get(prop, 0))
        for prop, groups in found.items()
    }


def _met(groups: list[Visit], starts: list[int], patience_ms: int) -> list[bool]:
    found, at = [], 0
    for group in groups:
        while at < len(starts) and starts[at] < group.first_ms:
            at += 1
        met = at < len(starts) and starts[at] <= group.last_ms + patience_ms
        found.append(met)
    return found
