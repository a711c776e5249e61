"""Words and codes on a sheet of paper, in mm: text that fits its box, codes that scan.

Text is set in the reader's own Helvetica where that has every letter, else in a font of this
machine that has; a letter that no font has is printed as a question mark and told.
"""

import unicodedata
from collections.abc import Callable, Iterator
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

import segno
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import TTFFont

MM_PER_POINT: Final = 25.4 / 72
LEADING: Final = 1.16
STEP_POINTS: Final = 0.5
QUIET: Final = 4
"""Modules of quiet zone that ISO/IEC 18004 asks for."""
FOLDERS: Final = (Path("/usr/share/fonts"), Path("/usr/local/share/fonts"), Path("/Library/Fonts"))
FACES: Final = (
    ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"),
    ("NotoSans-Regular.ttf", "NotoSans-Bold.ttf"),
    ("LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf"),
    ("FreeSans.ttf", "FreeSansBold.ttf"),
    ("Arial Unicode.ttf", "Arial Unicode.ttf"),
)
PLAIN: Final = "Helvetica"
ELLIPSIS: Final = "..."


class Paper(NamedTuple):
    """A sheet in mm. `name` is the word of forms and the command line."""

    name: str
    title: str
    width: float
    height: float


PAPERS: Final = {
    each.name: each
    for each in (Paper("a4", "A4", 210.0, 297.0), Paper("letter", "Letter", 215.9, 279.4))
}


class Room(NamedTuple):
    """A box in mm, y downwards."""

    x: float
    y: float
    width: float
    height: float


class Type(NamedTuple):
    """Sizes in points from the one wished for to the smallest that can be read."""

    most: float
    least: float
    bold: bool = False


class Face(NamedTuple):
    plain: Path
    bold: Path
    letters: frozenset[int]


class Ink:
    """One document. `lost` are the letters that no font of this machine has."""

    def __init__(self, paper: Paper, title: str, made: datetime, words: str) -> None:
        """`words` is everything that will be printed: it decides about the font."""
        self._pdf = FPDF(unit="mm", format=(paper.width, paper.height))
        self._pdf.set_auto_page_break(auto=False)
        self._pdf.set_margin(0)
        self._pdf.c_margin = 0
        self._pdf.set_title(title)
        self._pdf.set_creator("haunt")
        self._pdf.set_creation_date(made)
        self._face = _face_for(words)
        if self._face is not None:
            self._pdf.add_font("own", "", self._face.plain)
            self._pdf.add_font("own", "B", self._face.bold)
        self.lost = "".join(sorted({each for each in words if not self._has(each)}))

    def page(self) -> None:
        self._pdf.add_page()

    def done(self) -> bytes:
        made = bytes(self._pdf.output())
        _close_fonts(self._pdf)
        return made

    # --- words

    def text(self, room: Room, words: str, type_: Type) -> float:
        """Print words in a box, as large as they fit; return the height in mm that they take."""
        said = self._printable(" ".join(words.split()))
        if not said or room.height <= 0 or room.width <= 0:
            return 0.0
        size, lines = self._fitted(room, said, type_)
        self._style(size, bold=type_.bold)
        line_mm = size * MM_PER_POINT * LEADING
        for number, line in enumerate(lines):
            self._pdf.set_xy(room.x, room.y + number * line_mm)
            self._pdf.cell(room.width, line_mm, line, new_x=XPos.LMARGIN, new_y=YPos.TOP)
        return len(lines) * line_mm

    def height_of(self, width: float, words: str, size: float) -> float:
        """What words take in a column, in mm, at one size in points."""
        self._style(size, bold=False)
        lines = list(self._wrapped(self._printable(" ".join(words.split())), width))
        return len(lines) * size * MM_PER_POINT * LEADING

    def _fitted(self, room: Room, words: str, type_: Type) -> tuple[float, list[str]]:
        size = type_.most
        while True:
            self._style(size, bold=type_.bold)
            lines = list(self._wrapped(words, room.width))
            count = int(room.height / (size * MM_PER_POINT * LEADING) + 1e-6)
            is_whole = not any(self._splits(words, line) for line in lines[:-1])
            if len(lines) <= count and (is_whole or size <= type_.least):
                return size, lines
            if size <= type_.least:
                count = max(1, count)
                return size, [*lines[: count - 1], self._cut(lines[count - 1], room.width)]
            size = max(type_.least, size - STEP_POINTS)

    def _splits(self, words: str, line: str) -> bool:
        """Whether a line ends within a word: smaller letters may keep it whole."""
        return line.rsplit(" ", maxsplit=1)[-1] not in words.split(" ")

    def _wrapped(self, words: str, width: float) -> Iterator[str]:
        line = ""
        for word in words.split(" "):
            longer = f"{line} {word}".strip()
            if self._width(longer) <= width:
                line = longer
                continue
            if line:
                yield line
            line = word
            while self._width(line) > width and len(line) > 1:
                kept = self._letters_within(line, width)
                yield line[:kept]
                line = line[kept:]
        yield line

    def _letters_within(self, line: str, width: float) -> int:
        """At least one, or there would be no end of it."""
        fitting = (n for n in range(len(line) - 1, 1, -1) if self._width(line[:n]) <= width)
        return next(fitting, 1)

    def _cut(self, line: str, width: float) -> str:
        while line and self._width(line + ELLIPSIS) > width:
            line = line[:-1]
        return line.rstrip() + ELLIPSIS

    def _width(self, words: str) -> float:
        return float(self._pdf.get_string_width(words))

    def _style(self, size: float, *, bold: bool) -> None:
        self._pdf.set_font(PLAIN if self._face is None else "own", "B" if bold else "", size)

    def _has(self, letter: str) -> bool:
        return letter.isspace() or (
            ord(letter) < 0x100 if self._face is None else ord(letter) in self._face.letters
        )

    def _printable(self, words: str) -> str:
        return "".join(each if self._has(each) else _like(each, self._has) for each in words)

    # --- lines and codes

    def box(self, room: Room) -> None:
        """Where to cut."""
        self._pdf.set_draw_color(150)
        self._pdf.set_line_width(0.1)
        self._pdf.set_dash_pattern(1.5, 1.5)
        self._pdf.rect(room.x, room.y, room.width, room.height)
        self._pdf.set_dash_pattern()

    def rule(self, x: float, y: float, width: float) -> None:
        self._pdf.set_draw_color(0)
        self._pdf.set_line_width(0.25)
        self._pdf.line(x, y, x + width, y)

    def code(self, x: float, y: float, side: float, words: str) -> None:
        """A QR code in a square of `side` mm, its quiet zone included, drawn as black runs."""
        rows = [list(each) for each in segno.make_qr(words, error="m").matrix]
        module = side / (len(rows) + 2 * QUIET)
        self._pdf.set_fill_color(0)
        for row, modules in enumerate(rows):
            for start, length in _runs(modules):
                left, top = x + (QUIET + start) * module, y + (QUIET + row) * module
                # A hair taller than a module, so that no white line is left between rows.
                self._pdf.rect(left, top, length * module, module * 1.02, style="F")


def _runs(modules: list[int]) -> Iterator[tuple[int, int]]:
    start = None
    for at, dark in enumerate([*modules, 0]):
        if dark and start is None:
            start = at
        elif not dark and start is not None:
            yield start, at - start
            start = None


def _like(letter: str, has: Callable[[str], bool]) -> str:
    """The nearest letters that can be printed: without its accent, else a question mark."""
    bare = "".join(each for each in unicodedata.normalize("NFKD", letter) if has(each))
    return bare or "?"


def _face_for(words: str) -> Face | None:
    """None where Helvetica will do; else the font of this machine that has most of the letters."""
    wanted = {ord(each) for each in words if not each.isspace()}
    if all(each < 0x100 for each in wanted):
        return None
    return max(_faces(), key=lambda face: len(wanted & face.letters), default=None)


@cache
def _faces() -> tuple[Face, ...]:
    found = []
    for plain, bold in FACES:
        plain_at, bold_at = _find(plain), _find(bold)
        if plain_at is None:
            continue
        probe = FPDF()
        probe.add_font("probe", "", plain_at)
        found.append(Face(plain_at, bold_at or plain_at, _letters(probe)))
        _close_fonts(probe)
    return tuple(found)


def _letters(of: FPDF) -> frozenset[int]:
    fonts = [each for each in of.fonts.values() if isinstance(each, TTFFont)]
    return frozenset(code for each in fonts for code in each.cmap)


def _close_fonts(of: FPDF) -> None:
    """It leaves the files of fonts open, which it reads from until the document is written."""
    for font in of.fonts.values():
        if isinstance(font, TTFFont):
            font.ttfont.close()


def _find(name: str) -> Path | None:
    hits = (hit for folder in FOLDERS if folder.is_dir() for hit in folder.rglob(name))
    return next(hits, None)
