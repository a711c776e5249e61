"""Puts names beside symbols so that none covers another: a small search, the same every time.

Knows rectangles only. A name that finds no room is left off, never laid over another.
"""

from collections import defaultdict
from collections.abc import Iterator
from functools import lru_cache
from typing import Final, NamedTuple

CELL: Final = 40.0
GAP: Final = 2.0
RINGS: Final = 14
NEAR_RINGS: Final = 2
CROSSING: Final = 5.0
"""What it costs to lie on a line, in rings further out."""
SIDES: Final = (
    (1.0, 0.0),
    (-1.0, 0.0),
    (0.0, -1.0),
    (0.0, 1.0),
    (1.0, -1.0),
    (1.0, 1.0),
    (-1.0, -1.0),
    (-1.0, 1.0),
    (0.5, -1.0),
    (0.5, 1.0),
    (-0.5, -1.0),
    (-0.5, 1.0),
)
NARROW, WIDE = frozenset("iljtfrI.,:;'|!()[] -"), frozenset("mwMW@%—…")
ASCENT, DESCENT = 0.94, 0.26
_ANCHORS: Final = {1: ("start", 0.0), 0: ("middle", 0.5), -1: ("end", 1.0)}


class Box(NamedTuple):
    """Y grows downwards, as on a screen."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: "Box") -> bool:
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )

    def within(self, other: "Box") -> bool:
        return (
            other.left <= self.left
            and self.right <= other.right
            and other.top <= self.top
            and self.bottom <= other.bottom
        )


class Wanted(NamedTuple):
    """Words beside a symbol of radius `clear`; `is_near`: beside it or not at all."""

    x: float
    y: float
    clear: float
    words: str
    size: float
    is_near: bool = False


class Lettered(NamedTuple):
    """Where words stand on their base line, by their `anchor` (start, middle, end).

    A font that is wider than thought grows away from the symbol. `leader` leads to words further
    off.
    """

    x: float
    y: float
    anchor: str
    box: Box
    leader: tuple[float, float] | None = None


def width_of(words: str, size: float) -> float:
    """More than any usual sans serif takes: the page's font is the reader's."""
    return size * sum(_em(char) for char in words)


def _em(char: str) -> float:
    if char in NARROW:
        return 0.42
    if char in WIDE:
        return 1.0
    if ord(char) > 0x2000:
        return 1.05
    return 0.76 if char.isupper() else 0.65


@lru_cache(maxsize=64)
def letter(
    wanted: tuple[Wanted, ...],
    taken: tuple[Box, ...],
    sheet: Box,
    lines: tuple[tuple[float, float], ...] = (),
) -> tuple[Lettered | None, ...]:
    """Place all in turn, the first with the most room. `lines` are points better left free."""
    rooms, marks = _Rooms(), _Rooms()
    for box in taken:
        rooms.add(box)
    for x, y in lines:
        marks.add(Box(x - 1, y - 1, x + 1, y + 1))
    found: list[Lettered | None] = []
    for each in wanted:
        best = _best(each, sheet, rooms, marks)
        if best is not None:
            rooms.add(best.box)
        found.append(best)
    return tuple(found)


class _Rooms:
    """What is taken, by squares of the sheet, so that a look costs the same on a full one."""

    def __init__(self) -> None:
        self._cells: dict[tuple[int, int], list[Box]] = defaultdict(list)

    def add(self, box: Box) -> None:
        for cell in _cells(box):
            self._cells[cell].append(box)

    def meets(self, box: Box) -> bool:
        return any(box.meets(other) for cell in _cells(box) for other in self._cells.get(cell, ()))


def _cells(box: Box) -> Iterator[tuple[int, int]]:
    for column in range(int(box.left // CELL), int(box.right // CELL) + 1):
        for row in range(int(box.top // CELL), int(box.bottom // CELL) + 1):
            yield column, row


def _best(of: Wanted, sheet: Box, rooms: _Rooms, marks: _Rooms) -> Lettered | None:
    best, least = None, float("inf")
    for ring in range(NEAR_RINGS if of.is_near else RINGS):
        if ring >= least:
            break
        for order, side in enumerate(SIDES):
            cost = ring + order / 100
            if cost >= least:
                break
            lettered = _at(of, ring, side)
            if not lettered.box.within(sheet) or rooms.meets(lettered.box):
                continue
            cost += CROSSING if marks.meets(lettered.box) else 0.0
            if cost < least:
                best, least = lettered, cost
    return best


def _at(of: Wanted, ring: int, side: tuple[float, float]) -> Lettered:
    """Words on one side of the symbol, as many lines off as the ring says."""
    width, height = width_of(of.words, of.size), of.size * (ASCENT + DESCENT)
    off = of.clear + GAP + ring * of.size * 0.7
    dx, dy = side
    left = of.x + dx * off - width * (1 - dx) / 2
    top = of.y + dy * off - height * (1 - dy) / 2
    box = Box(left, top, left + width, top + height)
    near = (min(max(of.x, box.left), box.right), min(max(of.y, box.top), box.bottom))
    leader = near if ring >= NEAR_RINGS else None
    anchor, x = _ANCHORS[(dx > 0.9) - (dx < -0.9)]
    return Lettered(box.left + x * width, top + of.size * ASCENT, anchor, box, leader)
