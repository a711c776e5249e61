"""Groups that walk the path, and what each sensor makes of them: when it goes high, and clears."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import cos, hypot, radians, sin
from typing import Final, NamedTuple

from haunt.study.chance import Chance
from haunt.study.traffic import APART_M, Habits, speed_m_s
from haunt.study.visitors import path_of
from haunt.wire.showmodels import Sensor, ShowFile

OPENING_DEG: Final = {"pir": 110.0, "radar": 60.0}
"""The whole cone: 110 degrees is printed for small PIR modules; radar by common practice."""
RANGE_M: Final = {"pir": 4.0, "radar": 4.0}
"""Where the show file names none; 3 to 7 m are printed for small PIR modules."""
HOLD_MS: Final = {"pir": 2500, "radar": 1000}
"""How long an output stays high after the last movement; 2.46 s is a PIR module's usual parts."""
SET_BACK_M: Final = 1.0
STEP_M: Final = 0.1
CROSSING_M: Final = {"beam": 0.3, "mat": 0.8}
"""The length of path on which one person keeps a beam broken or a mat pressed."""


class Sight(NamedTuple):
    """The part of the path that a sensor sees, in metres from the entrance.

    `each` is true of a sensor that people pass one by one and not as a group.
    """

    sensor: str
    board: str
    from_m: float
    until_m: float
    hold_ms: int
    each: bool


class Walk(NamedTuple):
    """One group: when it entered, its people and pace, and how long it stays at each stop."""

    enters_ms: int
    people: int
    speed_m_s: float
    stays_ms: tuple[int, ...]
    leaving: bool = False


class Span(NamedTuple):
    from_ms: int
    until_ms: int


@dataclass(frozen=True, slots=True)
class Seen:
    """What sensors told of a night's walks: spans in which each was high, and who was where.

    `passes` has for each sensor the span of every group in front of it, seen or not.
    """

    high: Mapping[str, list[Span]]
    passes: Mapping[str, list[Span]]


def sights_of(file: ShowFile) -> list[Sight]:
    """Work out from place, aim and range what each sensor on the path sees of it."""
    stops = path_of(file)
    by_id = {each.id: each for each in file.sensors}
    found = []
    for n, stop in enumerate(stops):
        sensor = by_id[stop.sensor]
        along = _direction(stops_of(file, n))
        back_m, ahead_m = _view(sensor, along)
        found.append(
            Sight(
                stop.sensor,
                stop.board,
                stop.metres - back_m,
                stop.metres + ahead_m,
                HOLD_MS.get(sensor.kind, 0),
                sensor.kind in CROSSING_M,
            )
        )
    return found


def stops_of(file: ShowFile, at: int) -> tuple[Sensor, Sensor] | None:
    """Return the sensors between which the path runs here, if their places are known."""
    placed = [each for each in file.sensors if each.kind != "button"]
    one, other = placed[max(0, at - 1)], placed[min(len(placed) - 1, at + 1)]
    if one is other or None in (one.x_m, one.y_m, other.x_m, other.y_m):
        return None
    return one, other


def _direction(between: tuple[Sensor, Sensor] | None) -> tuple[float, float]:
    if between is None:
        return 1.0, 0.0
    one, other = between
    dx, dy = (other.x_m or 0) - (one.x_m or 0), (other.y_m or 0) - (one.y_m or 0)
    length = hypot(dx, dy)
    return (dx / length, dy / length) if length else (1.0, 0.0)


def _view(sensor: Sensor, along: tuple[float, float]) -> tuple[float, float]:
    """Return how far before and after itself a sensor sees people on the path.

    It stands a step beside the path and looks across it where its aim is not known.
    """
    if sensor.kind in CROSSING_M:
        half = CROSSING_M[sensor.kind] / 2
        return half, half
    range_m = sensor.range_m or RANGE_M[sensor.kind]
    across = (-along[1], along[0])
    if sensor.aim_deg is None:
        aim = across
    else:
        aim = (cos(radians(sensor.aim_deg)), sin(radians(sensor.aim_deg)))
        if aim[0] * across[0] + aim[1] * across[1] < 0:
            across = (-across[0], -across[1])
    least = cos(radians(OPENING_DEG[sensor.kind] / 2))
    seen = []
    for n in range(-round(range_m / STEP_M), round(range_m / STEP_M) + 1):
        metres = n * STEP_M
        x = along[0] * metres + across[0] * SET_BACK_M
        y = along[1] * metres + across[1] * SET_BACK_M
        away = hypot(x, y)
        if away <= range_m and (x * aim[0] + y * aim[1]) / away >= least:
            seen.append(metres)
    return (-min(seen), max(seen)) if seen else (0.0, 0.0)


def a_walk(
    enters_ms: int,
    sights: int,
    mean_m_s: float,
    chance: Chance,
    habits: Habits,
    *,
    leaving: bool = False,
) -> Walk:
    stays = tuple(chance.below(habits.stays_ms + 1) for _ in range(sights))
    return Walk(enters_ms, habits.people(chance), speed_m_s(mean_m_s, chance), stays, leaving)


def seen_by(sights: list[Sight], walks: Iterable[Walk], missed: float, chance: Chance) -> Seen:
    """Let each group pass each sensor; `missed` is the share of sightings that stay unseen."""
    high: dict[str, list[Span]] = {each.sensor: [] for each in sights}
    passes: dict[str, list[Span]] = {each.sensor: [] for each in sights}
    length_m = max((each.until_m for each in sights), default=0.0)
    for walk in walks:
        for sight, span in _passing(sights, walk, length_m):
            if not walk.leaving:
                passes[sight.sensor].append(span)
            for each in _persons(sight, walk, span) if sight.each else (span,):
                if not chance.happens(missed):
                    held = Span(each.from_ms, each.until_ms + sight.hold_ms)
                    high[sight.sensor].append(held)
    return Seen({sensor: _merged(spans) for sensor, spans in high.items()}, passes)


def _passing(sights: list[Sight], walk: Walk, length_m: float) -> Iterable[tuple[Sight, Span]]:
    """Yield when the first of a group comes into view, and when the last has left it."""
    stood_ms = 0
    tail_ms = round((walk.people - 1) * APART_M / walk.speed_m_s * 1000)
    for n, sight in enumerate(reversed(sights) if walk.leaving else sights):
        near = length_m - sight.until_m if walk.leaving else sight.from_m
        far = length_m - sight.from_m if walk.leaving else sight.until_m
        begins = walk.enters_ms + stood_ms + round(max(0.0, near) / walk.speed_m_s * 1000)
        ends = walk.enters_ms + stood_ms + round(max(0.0, far) / walk.speed_m_s * 1000)
        stays_ms = 0 if sight.each else walk.stays_ms[n]
        stood_ms += walk.stays_ms[n]
        yield sight, Span(begins, ends + stays_ms + tail_ms)


def _persons(sight: Sight, walk: Walk, span: Span) -> Iterable[Span]:
    """One after the other: each crosses a beam or a mat alone."""
    takes_ms = max(50, round((sight.until_m - sight.from_m) / walk.speed_m_s * 1000))
    step_ms = round(APART_M / walk.speed_m_s * 1000)
    for n in range(walk.people):
        begins = span.from_ms + n * step_ms
        yield Span(begins, begins + takes_ms)


def _merged(spans: list[Span]) -> list[Span]:
    """An output that is high already does not go high again."""
    found: list[Span] = []
    for each in sorted(spans):
        if found and each.from_ms <= found[-1].until_ms:
            found[-1] = Span(found[-1].from_ms, max(found[-1].until_ms, each.until_ms))
        else:
            found.append(each)
    return found
