"""Groups followed along the path: which sensors saw them, and which of those in between did not.

Sightings are joined in their order, where the walking time fits. In a dense crowd the joins are a
guess; the shares that come of them are not far off, since who is taken for whom hardly matters.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from haunt.study.tallies import share_of
from haunt.study.visits import Visit
from haunt.workshop.walking import DARK_M_S

EARLY_MS: Final = 2000
LINGER_MS: Final = 15_000
"""People stop on the way: common practice, no source."""


@dataclass(frozen=True, slots=True)
class StopCount:
    """`between` groups were seen before and after this sensor; it saw `seen` of them itself."""

    sensor: str
    metres: float
    counted: int
    between: int
    seen: int

    @property
    def share(self) -> float | None:
        return share_of(self.seen, self.between)


@dataclass(frozen=True, slots=True)
class Walks:
    """`groups` were seen at two stops or more, `once` at one alone."""

    groups: int
    once: int
    stops: tuple[StopCount, ...]


@dataclass(slots=True)
class _Track:
    last: Visit
    stop: int
    seen: set[int] = field(default_factory=set)


def walks(stops: Sequence[tuple[str, float]], sightings: Sequence[Sequence[Visit]]) -> Walks:
    """Follow groups past (sensor, metres from the entrance) stops, each with what it saw."""
    tracks: list[_Track] = []
    for stop, seen in enumerate(sightings):
        _join(tracks, stop, seen, [metres for _, metres in stops])
    counts = []
    for stop, (sensor, metres) in enumerate(stops):
        between = [t for t in tracks if min(t.seen) < stop < max(t.seen)]
        saw = sum(1 for t in between if stop in t.seen)
        counts.append(StopCount(sensor, metres, len(sightings[stop]), len(between), saw))
    several = sum(1 for t in tracks if len(t.seen) > 1)
    return Walks(several, len(tracks) - several, tuple(counts))


def _join(tracks: list[_Track], stop: int, seen: Sequence[Visit], metres: Sequence[float]) -> None:
    """Give each sighting to the group that has been on its way longest of those it can be."""
    slow, quick = DARK_M_S
    open_tracks = sorted(
        tracks, key=lambda t: t.last.first_ms + _walk_ms(metres[stop] - metres[t.stop], quick)
    )
    fresh = []
    for visit in seen:
        for n, track in enumerate(open_tracks):
            away = metres[stop] - metres[track.stop]
            earliest = track.last.first_ms + _walk_ms(away, quick) - EARLY_MS
            latest = track.last.last_ms + _walk_ms(away, slow) + LINGER_MS
            if earliest <= visit.first_ms <= latest:
                track.last, track.stop = visit, stop
                track.seen.add(stop)
                del open_tracks[n]
                break
        else:
            fresh.append(_Track(visit, stop, {stop}))
    tracks += fresh


def _walk_ms(metres: float, speed_m_s: float) -> float:
    return metres / speed_m_s * 1000
