"""Where the things of a show stand, in metres: what is placed by itself, and what by its board."""

from dataclasses import dataclass
from enum import StrEnum
from math import hypot
from typing import TypeAlias

from haunt.wire.showmodels import Board, Prop, Sensor, ShowFile

Spot: TypeAlias = tuple[float, float]


class Kind(StrEnum):
    BOARD = "board"
    SENSOR = "sensor"
    PROP = "prop"
    SCARE = "scare"
    BOUNDARY = "boundary"
    HAZARD = "hazard"


@dataclass(frozen=True, slots=True)
class Thing:
    """`key` is its id, a scare spot's is its prop's, else the row's number from 1.

    `is_own` is false of what has no place in the file and stands at its board. `sort` is the kind
    of a sensor or hazard. Points of the boundary and hazards cannot be without a place.
    """

    kind: Kind
    key: str
    name: str
    at: Spot | None
    is_own: bool = True
    sort: str = ""

    @property
    def must_have_place(self) -> bool:
        return self.kind in {Kind.BOUNDARY, Kind.HAZARD}


def things_of(file: ShowFile) -> tuple[Thing, ...]:
    """All that the file has, placed or not, kind by kind in its order."""
    return (*_owned(file), *_free(file))


def _owned(file: ShowFile) -> tuple[Thing, ...]:
    at = spots_of(file)
    return (
        *(_thing(Kind.PROP, each, each.name or each.id, at) for each in file.props),
        *(_thing(Kind.SENSOR, each, each.id, at, each.kind) for each in file.sensors),
        *(_thing(Kind.BOARD, each, each.id, at) for each in file.boards),
    )


def _thing(
    kind: Kind, of: Board | Sensor | Prop, name: str, at: dict[str, Spot | None], sort: str = ""
) -> Thing:
    return Thing(kind, of.id, name, at[f"{kind}:{of.id}"], _own(of) is not None, sort)


def _free(file: ShowFile) -> tuple[Thing, ...]:
    scares = [
        Thing(
            Kind.SCARE,
            each.id,
            f"scare spot of {each.name or each.id}",
            None if each.scare_spot is None else (each.scare_spot.x_m, each.scare_spot.y_m),
            each.scare_spot is not None,
        )
        for each in file.props
    ]
    points = [
        Thing(Kind.BOUNDARY, str(number), each.name, (each.x_m, each.y_m))
        for number, each in enumerate(file.limits.boundary, 1)
    ]
    hazards = [
        Thing(Kind.HAZARD, str(number), each.kind, (each.x_m, each.y_m), sort=each.kind)
        for number, each in enumerate(file.hazards, 1)
    ]
    return (*scares, *points, *hazards)


def spots_of(file: ShowFile) -> dict[str, Spot | None]:
    """By `kind:id`; props and sensors without a place of their own stand at their board."""
    found: dict[str, Spot | None] = {f"{Kind.BOARD}:{each.id}": _own(each) for each in file.boards}
    for sensor in file.sensors:
        found[f"{Kind.SENSOR}:{sensor.id}"] = _own(sensor) or found[f"{Kind.BOARD}:{sensor.board}"]
    for prop in file.props:
        found[f"{Kind.PROP}:{prop.id}"] = _own(prop) or found[f"{Kind.BOARD}:{prop.board}"]
    return found


def _own(of: Board | Sensor | Prop) -> Spot | None:
    return None if of.x_m is None or of.y_m is None else (of.x_m, of.y_m)


def apart_m(one: Spot, other: Spot) -> float:
    return hypot(one[0] - other[0], one[1] - other[1])
