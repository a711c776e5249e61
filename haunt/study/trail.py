"""The way that visitors take, as sensors and links imply it, and how long they walk on it.

The file has no path. What it has are sensors that people pass, which of them saw people before
which, where each one looks, and the spots where props meet them.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import cos, radians, sin
from typing import Final

from haunt.live.prepare import told_delay_ms
from haunt.study.places import Kind, Spot, apart_m, spots_of
from haunt.wire.showmodels import Link, Sensor, ShowFile
from haunt.workshop.band import Band
from haunt.workshop.walking import delay_band_s

HOW: Final = (
    "Straight lines from sensor to sensor, without buttons, in the order of the file; but a sensor "
    "that a link wants passed before another (after) comes before it. Beams and mats lie on the "
    "path. A PIR or radar looks at it from beside: the path crosses its line of aim where that is "
    "shortest; without an aim it goes by the scare spots that it sets off, else by the sensor "
    "itself. After each sensor come the scare spots of its props, by their delays."
)
BESIDE: Final = frozenset({"pir", "radar"})
AIM_STEP_M: Final = 0.1
AIM_STEPS_MAX: Final = 400


@dataclass(frozen=True, slots=True)
class Stop:
    """A point of the path, `of` which thing (`kind:id`), and how far from the first."""

    of: str
    at: Spot
    metres: float


@dataclass(frozen=True, slots=True)
class Trail:
    """Stops in order. `is_circular`: links contradict each other, and the file's order held."""

    stops: tuple[Stop, ...]
    is_circular: bool = False

    @property
    def length_m(self) -> float:
        return self.stops[-1].metres if self.stops else 0.0

    def at(self, metres: float) -> Spot:
        """The point that far from the first stop; beyond the ends, the ends."""
        for one, other in pairwise(self.stops):
            if one.metres < other.metres and metres <= other.metres:
                share = max(0.0, (metres - one.metres) / (other.metres - one.metres))
                return _between(one.at, other.at, share)
        return self.stops[-1].at if metres > 0 else self.stops[0].at

    def nearest_m(self, spot: Spot, from_m: float = 0.0) -> float:
        """How far along the path its nearest point to a spot lies, not before `from_m`."""
        return min(self._feet(spot, from_m), key=lambda m: (apart_m(self.at(m), spot), m))

    def _feet(self, spot: Spot, from_m: float) -> Iterator[float]:
        yield from_m
        for one, other in pairwise(self.stops):
            if other.metres >= from_m and other.metres > one.metres:
                share = _share(one.at, other.at, spot)
                yield max(from_m, one.metres + share * (other.metres - one.metres))


@dataclass(frozen=True, slots=True)
class Walk:
    """One link: the delay that the night goes by, how the file gives it, and what the map says.

    `map_m` and `map_s` are None where the map does not know one of the two places.
    """

    sensor: str
    prop: str
    told_ms: int
    given_by: str
    map_m: float | None
    map_s: Band | None


@dataclass(frozen=True, slots=True)
class _Point:
    """A stop to be: at one spot, or anywhere on a line of aim."""

    of: str
    spots: tuple[Spot, ...]

    @property
    def fixed(self) -> Spot | None:
        return self.spots[0] if len(self.spots) == 1 else None


# --- the path


def trail_of(file: ShowFile) -> Trail:
    sensors, is_circular = _in_order(file)
    points = [point for each in sensors for point in _points(file, each)]
    stops: list[Stop] = []
    for number, point in enumerate(points):
        here = stops[-1].at if stops else None
        ahead = next((e.fixed for e in points[number + 1 :] if e.fixed is not None), None)
        at = min(point.spots, key=lambda spot: _detour_m(here, spot, ahead))
        metres = 0.0 if here is None else stops[-1].metres + apart_m(here, at)
        stops.append(Stop(point.of, at, metres))
    return Trail(tuple(stops), is_circular)


def _in_order(file: ShowFile) -> tuple[list[Sensor], bool]:
    """Sensors that people walk past: the file's order, bent by what links say came before."""
    spots = spots_of(file)
    left = [
        each
        for each in file.sensors
        if each.kind != "button" and spots[f"{Kind.SENSOR}:{each.id}"] is not None
    ]
    before = {(each.after, each.sensor) for each in file.links if each.after is not None}
    found: list[Sensor] = []
    is_circular = False
    while left:
        ids = {each.id for each in left}
        free = [s for s in left if not any(a in ids and b == s.id != a for a, b in before)]
        is_circular = is_circular or not free
        found.append((free or left)[0])
        left.remove(found[-1])
    return found, is_circular


def _points(file: ShowFile, sensor: Sensor) -> Iterator[_Point]:
    scares = list(_scares(file, sensor))
    at = spots_of(file)[f"{Kind.SENSOR}:{sensor.id}"]
    assert at is not None, "sensors without a place are left out"
    line = _line_of_aim(sensor, at) if sensor.kind in BESIDE else ()
    if line or sensor.kind not in BESIDE or not scares:
        yield _Point(f"{Kind.SENSOR}:{sensor.id}", line or (at,))
    yield from scares


def _scares(file: ShowFile, sensor: Sensor) -> Iterator[_Point]:
    links = [each for each in file.links if each.sensor == sensor.id]
    props = {each.id: each for each in file.props}
    for link in sorted(links, key=lambda each: told_delay_ms(file, each)):
        spot = props[link.prop].scare_spot
        if spot is not None:
            yield _Point(f"{Kind.SCARE}:{link.prop}", ((spot.x_m, spot.y_m),))


def _line_of_aim(sensor: Sensor, at: Spot) -> tuple[Spot, ...]:
    if sensor.aim_deg is None or not sensor.range_m:
        return ()
    steps = min(AIM_STEPS_MAX, round(sensor.range_m / AIM_STEP_M))
    dx, dy = heading(sensor.aim_deg)
    far_m = sensor.range_m / max(1, steps)
    return tuple((at[0] + dx * far_m * n, at[1] + dy * far_m * n) for n in range(steps + 1))


def heading(aim_deg: float) -> Spot:
    """An aim counts from the x axis towards the y axis: 0 looks along x, 90 along y."""
    return cos(radians(aim_deg)), sin(radians(aim_deg))


def _detour_m(here: Spot | None, by: Spot, ahead: Spot | None) -> float:
    return sum(apart_m(each, by) for each in (here, ahead) if each is not None)


def _between(one: Spot, other: Spot, share: float) -> Spot:
    return one[0] + share * (other[0] - one[0]), one[1] + share * (other[1] - one[1])


def _share(one: Spot, other: Spot, spot: Spot) -> float:
    """How far between two points the foot of a third lies, 0 to 1."""
    dx, dy = other[0] - one[0], other[1] - one[1]
    along = (spot[0] - one[0]) * dx + (spot[1] - one[1]) * dy
    return min(1.0, max(0.0, along / (dx * dx + dy * dy)))


# --- walking times


def walks_of(file: ShowFile, trail: Trail) -> tuple[Walk, ...]:
    """From where people are when the sensor sees them to where they are nearest to the prop."""
    spots = spots_of(file)
    return tuple(_walk(file, trail, spots, each) for each in file.links)


def _walk(file: ShowFile, trail: Trail, spots: dict[str, Spot | None], link: Link) -> Walk:
    given_by = "nothing"
    if link.delay_ms is not None or link.distance_m is not None:
        given_by = "delay" if link.delay_ms is not None else "distance"
    map_m = _map_m(trail, spots, link)
    speed_m_s = file.info.walking_speed_m_s
    map_s = None if map_m is None else delay_band_s(map_m, speed_m_s)
    return Walk(link.sensor, link.prop, told_delay_ms(file, link), given_by, map_m, map_s)


def _map_m(trail: Trail, spots: dict[str, Spot | None], link: Link) -> float | None:
    seen_at = spots[f"{Kind.SENSOR}:{link.sensor}"]
    prop = spots[f"{Kind.PROP}:{link.prop}"]
    if seen_at is None or not trail.stops:
        return None
    where = {each.of: each.metres for each in trail.stops}
    seen_m = where.get(f"{Kind.SENSOR}:{link.sensor}")
    if seen_m is None:
        seen_m = trail.nearest_m(seen_at)
    met_m = where.get(f"{Kind.SCARE}:{link.prop}")
    if met_m is None:
        if prop is None:
            return None
        met_m = trail.nearest_m(prop, seen_m)
    return max(0.0, met_m - seen_m)
