"""The small map on the page of the night: where props stand, each with its name, none covered."""

from collections.abc import Callable, Sequence
from typing import Final

from haunt.site.map.digits import units
from haunt.site.map.lettering import Box, Lettered, Wanted, letter
from haunt.site.view_models import Place
from haunt.study.places import Spot

SHEET: Final = Box(2.0, 2.0, 598.0, 108.0)
MAP_X: Final = (40.0, 560.0)
MAP_Y: Final = (92.0, 16.0)
SYMBOL, SIZE = 7.0, 7.0


def laid_out(named: Sequence[tuple[str, Spot]]) -> list[Place]:
    """Stretch the places over the sheet, y upwards; it is no map to measure by."""
    x_of = _scale([x for _, (x, _) in named], *MAP_X)
    y_of = _scale([y for _, (_, y) in named], *MAP_Y)
    spots = [(x_of(x), y_of(y)) for _, (x, y) in named]
    boxes = tuple(Box(x - SYMBOL, y - SYMBOL, x + SYMBOL, y + SYMBOL) for x, y in spots)
    wanted = tuple(
        Wanted(x, y, SYMBOL, name, SIZE) for (x, y), (name, _) in zip(spots, named, strict=True)
    )
    found = letter(wanted, boxes, SHEET)
    return [_place(spot, got) for spot, got in zip(spots, found, strict=True)]


def _place(spot: Spot, got: Lettered | None) -> Place:
    x, y = spot
    if got is None:
        return Place(units(x), units(y), "0", "0", "start", None, has_name=False)
    leader = None if got.leader is None else (units(got.leader[0] - x), units(got.leader[1] - y))
    return Place(
        units(x), units(y), units(got.x - x), units(got.y - y), got.anchor, leader, has_name=True
    )


def _scale(values: list[float], low: float, high: float) -> Callable[[float], float]:
    """Return what turns metres into units of the map from `low` to `high`."""
    least, span = min(values), max(values) - min(values)
    return lambda v: low + (high - low) * (v - least) / span if span else (low + high) / 2
