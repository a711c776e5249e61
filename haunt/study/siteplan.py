"""A show on the ground: things in metres, who is whose neighbour, what sensors see, how loud it is.

Everything that a site map shows is worked out here from the show file; nothing here draws.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

from haunt.core.calendar import Sunset, no_sunset
from haunt.core.show import Show
from haunt.live.prepare import prepare
from haunt.study.loudest import Loudest, Sounds
from haunt.study.places import Kind, Spot, Thing, spots_of, things_of
from haunt.study.trail import Trail, Walk, trail_of, walks_of
from haunt.wire.showmodels import BoundaryPoint, ShowFile

SPREAD_DEG: Final = {"pir": 100.0, "radar": 80.0}
"""How wide a sensor sees: common practice, no source; the file has only aim and range."""
STEP_M: Final = 1.0
STEPS_MAX: Final = 60


class Pair(NamedTuple):
    """Two props within a radius of each other, the earlier in the file first."""

    one: str
    other: str


@dataclass(frozen=True, slots=True)
class Field:
    """What a sensor sees. Without `aim_deg` it looks all round; `spread_deg` 0 is a line."""

    sensor: str
    at: Spot
    range_m: float
    aim_deg: float | None
    spread_deg: float


@dataclass(frozen=True, slots=True)
class Edge:
    """A point of the boundary, its limit, and the loudest there; None where nothing sounds."""

    point: BoundaryPoint
    loudest: Loudest | None

    @property
    def is_over(self) -> bool:
        return self.loudest is not None and self.loudest.level_dba > self.point.max_level_dba + 1e-6


@dataclass(frozen=True, slots=True)
class Heard:
    """The loudest at a place on the path."""

    metres: float
    at: Spot
    loudest: Loudest


@dataclass(frozen=True, slots=True)
class SitePlan:
    """`unplaced` and `unrated` are props that no level counts: they have no place, no figure."""

    things: tuple[Thing, ...]
    trail: Trail
    walks: tuple[Walk, ...]
    neighbours: tuple[Pair, ...]
    voices: tuple[Pair, ...]
    fields: tuple[Field, ...]
    edges: tuple[Edge, ...]
    path: tuple[Heard, ...]
    unplaced: tuple[str, ...]
    unrated: tuple[str, ...]

    @property
    def loudest_on_path(self) -> Heard | None:
        return max(self.path, key=lambda each: each.loudest.level_dba, default=None)


def plan_of(file: ShowFile, sunset: Sunset = no_sunset) -> SitePlan:
    show = prepare(file).show
    sounds = Sounds(file, show, sunset)
    trail = trail_of(file)
    return SitePlan(
        things=things_of(file),
        trail=trail,
        walks=walks_of(file, trail),
        neighbours=tuple(_pairs(show, voices=False)),
        voices=tuple(_pairs(show, voices=True)),
        fields=tuple(_fields(file)),
        edges=tuple(
            Edge(each, sounds.loudest((each.x_m, each.y_m))) for each in file.limits.boundary
        ),
        path=tuple(_along(trail, sounds)),
        unplaced=tuple(sounds.unplaced()),
        unrated=tuple(sounds.unrated()),
    )


def _pairs(show: Show, *, voices: bool) -> Iterator[Pair]:
    """Voices only of props that have one: nobody else can talk over."""
    order = {
        each.id: n
        for n, each in enumerate(show.props)
        if not voices or any(behaviour.voice for behaviour in each.behaviours)
    }
    for prop in show.props:
        for other in prop.voice_neighbours if voices else prop.neighbours:
            if prop.id in order and other in order and order[prop.id] < order[other]:
                yield Pair(prop.id, other)


def _fields(file: ShowFile) -> Iterator[Field]:
    spots = spots_of(file)
    for each in file.sensors:
        at = spots[f"{Kind.SENSOR}:{each.id}"]
        if at is not None and each.range_m:
            spread = SPREAD_DEG.get(each.kind, 0.0)
            yield Field(each.id, at, each.range_m, each.aim_deg, spread)


def _along(trail: Trail, sounds: Sounds) -> Iterator[Heard]:
    if not trail.stops:
        return
    steps = min(STEPS_MAX, max(1, round(trail.length_m / STEP_M)))
    for n in range(steps + 1):
        metres = trail.length_m * n / steps
        at = trail.at(metres)
        found = sounds.loudest(at)
        if found is not None:
            yield Heard(metres, at, found)
