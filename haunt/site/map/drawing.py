"""The site map as shapes on a sheet: what a template draws, worked out from a plan. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from math import atan2, cos, degrees, radians, sin
from typing import Final, NamedTuple

from haunt.site.map.digits import metres, units
from haunt.site.map.frame import WIDTH, Frame, frame_of
from haunt.site.map.lettering import Box, Lettered, Wanted, letter
from haunt.study.places import Kind, Spot, Thing
from haunt.study.siteplan import Field, Pair, SitePlan
from haunt.study.trail import Trail, Walk, heading

SIZES: Final = {Kind.PROP: 13.0, Kind.BOUNDARY: 12.0, Kind.HAZARD: 12.0}
SMALL: Final = 11.0
CLEAR: Final = 9.0
NUMBERS_MAX: Final = 12
NUMBER_EVERY: Final = 70.0
"""Levels stand along the path at least this many units apart."""
LINE_STEP: Final = 12.0
ARC_STEP_DEG: Final = 10.0
ORDER: Final = (Kind.PROP, Kind.BOUNDARY, Kind.HAZARD, Kind.SENSOR, Kind.BOARD)
"""Who gets a name first where room is short. Scare spots have a line to their prop instead."""
DRAWN: Final = (Kind.BOARD, Kind.SENSOR, Kind.BOUNDARY, Kind.HAZARD, Kind.SCARE, Kind.PROP)
"""Of two at one spot the later lies on top."""
BOLD: Final = 1.08


class Line(NamedTuple):
    x1: str
    y1: str
    x2: str
    y2: str


class Words(NamedTuple):
    x: str
    y: str
    text: str
    anchor: str = "start"


class Mark(NamedTuple):
    """A thing on the map: its symbol, its name, and a line between both where they are apart."""

    kind: str
    key: str
    name: str
    sort: str
    is_own: bool
    x: str
    y: str
    x_m: str
    y_m: str
    label: Words | None
    leader: Line | None


class View(NamedTuple):
    """What a sensor sees, as the path of an outline."""

    sensor: str
    d: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """Strings are numbers in units of the sheet, but for what ends in `_m`: metres."""

    width: str
    height: str
    scale: str
    left_m: str
    top_m: str
    feet: tuple[Words, ...]
    grid: tuple[Line, ...]
    bar: Line
    bar_words: str
    square_m: str
    trail: str
    arrows: tuple[Line, ...]
    views: tuple[View, ...]
    neighbours: tuple[Line, ...]
    voices: tuple[Line, ...]
    walks: tuple[Line, ...]
    times: tuple[Words, ...]
    levels: tuple[Words, ...]
    ties: tuple[Line, ...]
    marks: tuple[Mark, ...]
    unlettered: tuple[str, ...]


def drawing_of(plan: SitePlan) -> Drawing:
    placed = [each for each in plan.things if each.at is not None]
    frame = frame_of([_at(each) for each in placed] + [each.at for each in plan.trail.stops])
    names = _Names(frame, plan, placed)
    sheet = frame.sheet
    bar_m = frame.square_m * max(1, round(180 / (frame.square_m * frame.scale)))
    bar_y, bar_x = frame.height - 12, sheet.left
    return Drawing(
        width=units(WIDTH),
        height=units(frame.height),
        scale=f"{frame.scale:.4f}",
        left_m=f"{frame.left_m:.4f}",
        top_m=f"{frame.top_m:.4f}",
        feet=tuple(_feet(frame)),
        grid=tuple(_grid(frame)),
        bar=_line((bar_x, bar_y), (bar_x + bar_m * frame.scale, bar_y)),
        bar_words=f"{bar_m:g} m",
        square_m=f"{frame.square_m:g}",
        trail=" ".join(_pair(frame.at(each.at)) for each in plan.trail.stops),
        arrows=tuple(_arrows(frame, plan.trail)),
        views=tuple(View(each.sensor, _outline(frame, each)) for each in plan.fields),
        neighbours=tuple(_pairs(frame, plan, plan.neighbours)),
        voices=tuple(_pairs(frame, plan, plan.voices)),
        walks=tuple(_line(frame.at(a), frame.at(b)) for _, a, b in _walks(plan)),
        times=names.times,
        levels=names.levels,
        ties=tuple(_ties(frame, plan)),
        marks=tuple(names.mark(e) for e in sorted(placed, key=lambda e: DRAWN.index(e.kind))),
        unlettered=tuple(names.left_off),
    )


class _Names:
    """All words on the sheet, placed together so that none covers another."""

    def __init__(self, frame: Frame, plan: SitePlan, placed: list[Thing]) -> None:
        self._frame = frame
        named = sorted(
            (each for each in placed if each.kind in ORDER), key=lambda e: ORDER.index(e.kind)
        )
        walks = [each for each in _walks(plan) if each[0].told_ms]
        heard = list(_heard(frame, plan))
        wanted = [
            *(_wanted(frame, each) for each in named),
            *(Wanted(x, y, 2.0, words, SMALL, is_near=True) for x, y, words in heard),
            *(_time(frame, *each) for each in walks),
        ]
        boxes = tuple(_symbol(frame.at(_at(each))) for each in placed)
        lines = tuple(_along(frame, plan.trail))
        found = letter(tuple(wanted), boxes, frame.sheet, lines)
        things, rest = found[: len(named)], found[len(named) :]
        self._of = {(e.kind, e.key): got for e, got in zip(named, things, strict=True)}
        self.left_off = [each.name for each, got in zip(named, things, strict=True) if got is None]
        self.levels = tuple(_said(rest[: len(heard)], [words for _, _, words in heard]))
        self.times = tuple(_said(rest[len(heard) :], [_seconds(walk) for walk, _, _ in walks]))

    def mark(self, of: Thing) -> Mark:
        spot = _at(of)
        x, y = self._frame.at(spot)
        got = self._of.get((of.kind, of.key))
        leader = None if got is None or got.leader is None else _line((x, y), got.leader)
        return Mark(
            of.kind,
            of.key,
            of.name,
            of.sort,
            of.is_own,
            units(x),
            units(y),
            metres(spot[0]),
            metres(spot[1]),
            None if got is None else Words(units(got.x), units(got.y), of.name, got.anchor),
            leader,
        )


def _said(found: tuple[Lettered | None, ...], words: list[str]) -> Iterator[Words]:
    for got, text in zip(found, words, strict=True):
        if got is not None:
            yield Words(units(got.x), units(got.y), text, got.anchor)


def _wanted(frame: Frame, of: Thing) -> Wanted:
    x, y = frame.at(_at(of))
    size = SIZES.get(of.kind, SMALL)
    return Wanted(x, y, CLEAR, of.name, size * BOLD if of.kind is Kind.PROP else size)


def _time(frame: Frame, walk: Walk, seen: Spot, met: Spot) -> Wanted:
    (x1, y1), (x2, y2) = frame.at(seen), frame.at(met)
    return Wanted((x1 + x2) / 2, (y1 + y2) / 2, 3.0, _seconds(walk), SMALL, is_near=True)


def _seconds(walk: Walk) -> str:
    return f"{walk.told_ms / 1000:.1f} s"


def _walks(plan: SitePlan) -> Iterator[tuple[Walk, Spot, Spot]]:
    at = {(each.kind, each.key): each.at for each in plan.things}
    for walk in plan.walks:
        seen, prop = at[Kind.SENSOR, walk.sensor], at[Kind.PROP, walk.prop]
        if seen is not None and prop is not None and seen != prop:
            yield walk, seen, prop


def _ties(frame: Frame, plan: SitePlan) -> Iterator[Line]:
    """From each scare spot to the prop that it belongs to."""
    at = {(each.kind, each.key): each.at for each in plan.things}
    for thing in plan.things:
        prop = at.get((Kind.PROP, thing.key))
        if thing.kind is Kind.SCARE and thing.at is not None and prop is not None:
            yield _line(frame.at(thing.at), frame.at(prop))


def _pairs(frame: Frame, plan: SitePlan, pairs: tuple[Pair, ...]) -> Iterator[Line]:
    at = {each.key: each.at for each in plan.things if each.kind is Kind.PROP}
    for one, other in pairs:
        here, there = at[one], at[other]
        if here is not None and there is not None:
            yield _line(frame.at(here), frame.at(there))


def _heard(frame: Frame, plan: SitePlan) -> Iterator[tuple[float, float, str]]:
    every = max(NUMBER_EVERY, plan.trail.length_m * frame.scale / NUMBERS_MAX)
    last = -every
    for each in plan.path:
        if each.metres * frame.scale - last >= every - 0.5:
            last = each.metres * frame.scale
            yield (*frame.at(each.at), f"{each.loudest.level_dba:.0f} dB")


def _along(frame: Frame, trail: Trail) -> Iterator[Spot]:
    count = int(trail.length_m * frame.scale / LINE_STEP) if trail.stops else -1
    for n in range(count + 1):
        yield frame.at(trail.at(n * LINE_STEP / frame.scale))


def _arrows(frame: Frame, trail: Trail) -> Iterator[Line]:
    """Short strokes in the middle of each stretch that is long enough to show its way."""
    for one, other in zip(trail.stops, trail.stops[1:], strict=False):
        (x1, y1), (x2, y2) = frame.at(one.at), frame.at(other.at)
        if (x2 - x1) ** 2 + (y2 - y1) ** 2 < 40**2:
            continue
        way, tip = degrees(atan2(y2 - y1, x2 - x1)), ((x1 + x2) / 2, (y1 + y2) / 2)
        for turn in (150.0, -150.0):
            to = radians(way + turn)
            yield _line(tip, (tip[0] + 9 * cos(to), tip[1] + 9 * sin(to)))


def _outline(frame: Frame, of: Field) -> str:
    """A sector, a whole circle, or a line."""
    x, y = frame.at(of.at)
    if of.aim_deg is not None and not of.spread_deg:
        return f"M{units(x)} {units(y)}L{_pair(frame.at(_off(of, of.aim_deg)))}"
    spread = 360.0 if of.aim_deg is None else of.spread_deg
    aim = of.aim_deg or 0.0
    steps = round(spread / ARC_STEP_DEG)
    rim = [aim - spread / 2 + spread * n / steps for n in range(steps + 1)]
    begin = "" if of.aim_deg is None else f"{units(x)} {units(y)}L"
    return f"M{begin}{'L'.join(_pair(frame.at(_off(of, each))) for each in rim)}Z"


def _off(of: Field, aim_deg: float) -> Spot:
    dx, dy = heading(aim_deg)
    return of.at[0] + dx * of.range_m, of.at[1] + dy * of.range_m


def _feet(frame: Frame) -> Iterator[Words]:
    for x, at_m in frame.columns():
        yield Words(units(x), units(frame.sheet.bottom + 14), f"{at_m:g}", "middle")
    for y, at_m in frame.rows():
        yield Words(units(frame.sheet.left - 6), units(y + 4), f"{at_m:g}", "end")


def _grid(frame: Frame) -> Iterator[Line]:
    sheet = frame.sheet
    for x, _ in frame.columns():
        yield _line((x, sheet.top), (x, sheet.bottom))
    for y, _ in frame.rows():
        yield _line((sheet.left, y), (sheet.right, y))


def _symbol(at: Spot) -> Box:
    return Box(at[0] - CLEAR, at[1] - CLEAR, at[0] + CLEAR, at[1] + CLEAR)


def _at(of: Thing) -> Spot:
    assert of.at is not None, "only what has a place is drawn"
    return of.at


def _line(one: Spot, other: Spot) -> Line:
    return Line(units(one[0]), units(one[1]), units(other[0]), units(other[1]))


def _pair(spot: Spot) -> str:
    return f"{units(spot[0])} {units(spot[1])}"
