"""Labels for props and boards: a code that leads to the thing's page, its name, how it is fed.

Says about power only what the show file says, and the usual cautions with it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, NamedTuple

from haunt.site.paper.ink import Ink, Paper, Room, Type
from haunt.study.findings.book import LITHIUM
from haunt.wire.showmodels import Board, Prop, ShowFile
from haunt.wire.showpower import Battery, Supply
from haunt.workshop.cautions import CAUTIONS, DECIDES, Topic
from haunt.workshop.pack import SPELT, cell_volts

MAINS_V: Final = 50.0
PAD: Final = 3.5
CODE_MM: Final = 31.0

NAME, PLACE, LINE = Type(25, 9, bold=True), Type(12, 7), Type(9, 6)
LINE_POINTS, NOTE_POINTS, LEAST_POINTS = 9.0, 7.5, 4.5
SMALLER: Final = tuple(n / 25 for n in range(25, 12, -1))


class Grid(NamedTuple):
    """Labels on a sheet in mm: usual measures of such sheets (common practice, no source)."""

    columns: int
    rows: int
    width: float
    height: float
    left: float
    top: float
    gap_x: float

    def rooms(self) -> Iterator[Room]:
        for row in range(self.rows):
            for column in range(self.columns):
                x = self.left + column * (self.width + self.gap_x)
                yield Room(x, self.top + row * self.height, self.width, self.height)


GRIDS: Final = {
    "a4": Grid(2, 4, 99.1, 67.7, 4.65, 13.1, 2.5),
    "letter": Grid(2, 5, 101.6, 50.8, 3.95, 12.7, 4.8),
}


@dataclass(frozen=True, slots=True)
class Label:
    """`kind` and `id` name the thing; `lines` are facts, `notes` cautions in smaller print."""

    kind: str
    id: str
    address: str
    name: str
    place: str
    lines: tuple[str, ...]
    notes: tuple[str, ...]


class Labels(NamedTuple):
    """A document, letters that no font of this machine has, and with what its codes begin."""

    pdf: bytes
    lost: str
    base: str = ""


# --- what they say


def labels_of(file: ShowFile, base: str) -> list[Label]:
    """One a prop, then one a board. `base` is the address that codes begin with."""
    boards = {each.id: each for each in file.boards}
    props = [_of_prop(file, each, boards[each.board], base) for each in file.props]
    return [*props, *(_of_board(file, each, base) for each in file.boards)]


def _of_prop(file: ShowFile, prop: Prop, board: Board, base: str) -> Label:
    lines, notes = _power(file, board)
    cut_off = [f"Own switch: {prop.cut_off}"] if prop.cut_off else []
    by_hand = ["Armed by hand: release it only where you see it."] if prop.arm_by_hand else []
    return Label(
        "prop",
        prop.id,
        f"{base}/props/{prop.id}",
        prop.name or prop.id,
        prop.place or "",
        (f"Board: {board.id}{_model(board)}", *cut_off, *lines, *by_hand),
        tuple(notes),
    )


def _of_board(file: ShowFile, board: Board, base: str) -> Label:
    lines, notes = _power(file, board)
    carried = ", ".join(each.name or each.id for each in file.props if each.board == board.id)
    props = [f"Props: {carried}"] if carried else []
    return Label(
        "board",
        board.id,
        f"{base}/boards/{board.id}",
        board.id,
        board.place or "",
        (f"Board{_model(board)}", *props, *lines),
        tuple(notes),
    )


def _model(board: Board) -> str:
    return f", {board.model}" if board.model else ""


def _power(file: ShowFile, board: Board) -> tuple[list[str], list[str]]:
    if board.battery is not None:
        return _pack(board.battery)
    supply = next((each for each in file.supplies if each.id == board.supply), None)
    return _supply(file, supply) if supply is not None else ([], [])


def _supply(file: ShowFile, supply: Supply) -> tuple[list[str], list[str]]:
    circuit = next((each for each in file.circuits if each.id == supply.circuit), None)
    figures = [
        f"{supply.volts:g} V" if supply.volts is not None else "",
        f"at most {supply.limit_a:g} A" if supply.limit_a is not None else "",
        f"fuse {supply.fuse_a:g} A" if supply.fuse_a is not None else "",
        f"from {circuit.id}" if circuit is not None else "",
    ]
    line = f"Supply: {', '.join([supply.id, *(each for each in figures if each)])}"
    is_mains = circuit is not None and (circuit.volts or MAINS_V) >= MAINS_V
    return [line], [f"{CAUTIONS[Topic.MAINS]} {DECIDES}"] if is_mains else []


def _pack(pack: Battery) -> tuple[list[str], list[str]]:
    cells = pack.series * pack.parallel
    volts = cell_volts(pack.chemistry)
    name = SPELT[pack.chemistry]
    size = f", {pack.capacity_mah * pack.parallel:g} mAh" if pack.capacity_mah is not None else ""
    fuse = f", fuse {pack.fuse_a:g} A" if pack.fuse_a is not None else ""
    line = (
        f"Pack: {name} {pack.series}S{pack.parallel}P ({cells} cell{'s' if cells > 1 else ''}), "
        f"{volts.nominal * pack.series:.3g} V{size}{fuse}"
    )
    return [line], [_charging(pack, name)]


def _charging(pack: Battery, name: str) -> str:
    """No current is named: only the maker of the pack knows it."""
    if pack.chemistry == "alkaline":
        return f"Never charge: replace the cells. {DECIDES}"
    full = cell_volts(pack.chemistry).full * pack.series
    charger = f"Charge with a charger for {pack.series}S {name}, full at about {full:.3g} V; "
    current = "current and time by the maker's data. "
    if pack.chemistry in LITHIUM:
        return f"{charger}{current}{CAUTIONS[Topic.LITHIUM]} {DECIDES}"
    if pack.chemistry == "lead-acid":
        return f"{charger}{current}Charge in moving air, away from sparks. {DECIDES}"
    return f"{charger}{current}{DECIDES}"


# --- how they are printed


def label_sheets(labels: Sequence[Label], paper: Paper, title: str, made: datetime) -> Labels:
    """All labels in turn on as many sheets as it takes, with lines to cut along."""
    ink = Ink(paper, title, made, "".join(_words(each) for each in labels) + title)
    rooms = list(GRIDS[paper.name].rooms())
    for number, label in enumerate(labels):
        if number % len(rooms) == 0:
            ink.page()
        _print(ink, rooms[number % len(rooms)], label)
    if not labels:
        ink.page()
    return Labels(ink.done(), ink.lost)


def _words(label: Label) -> str:
    return "".join((label.name, label.place, label.address, *label.lines, *label.notes))


def _print(ink: Ink, room: Room, label: Label) -> None:
    ink.box(room)
    code = min(CODE_MM, room.height / 2)
    # The code brings its own white edge, which may reach over the padding.
    ink.code(room.x + 1.5, room.y + 1.5, code + 2, label.address)
    left = room.x + code + 4.5
    width = room.x + room.width - PAD - left
    top = room.y + PAD
    foot = room.y + PAD + code
    name = ink.text(Room(left, top, width, code * 0.52), label.name, NAME)
    place = ink.text(Room(left, top + name + 0.6, width, code * 0.24), label.place, PLACE)
    at = top + name + place + 1.4
    ink.text(Room(left, at, width, foot - at), label.lines[0], LINE)
    across = Room(room.x + PAD, foot + 1, room.width - 2 * PAD, room.height - 2 * PAD - code - 1)
    _facts(ink, across, label)


def _facts(ink: Ink, room: Room, label: Label) -> None:
    """Address, facts and cautions, all smaller alike until there is room for every word."""
    ink.rule(room.x, room.y - 0.5, room.width)
    sizes = [7.5, *(LINE_POINTS for _ in label.lines[1:]), *(NOTE_POINTS for _ in label.notes)]
    words = [label.address, *label.lines[1:], *label.notes]
    for smaller in SMALLER:
        points = [max(LEAST_POINTS, each * smaller) for each in sizes]
        heights = [ink.height_of(room.width, w, p) for w, p in zip(words, points, strict=True)]
        if sum(heights) <= room.height:
            break
    at, foot = room.y, room.y + room.height
    for said, size, height in zip(words, points, heights, strict=True):
        left = max(0.0, min(height + 0.01, foot - at))
        at += ink.text(Room(room.x, at, room.width, left), said, Type(size, size))
