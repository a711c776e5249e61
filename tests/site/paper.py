"""A printed page as a camera and a search see it: rendered and decoded by somebody else's code."""

from dataclasses import dataclass
from importlib import import_module
from types import ModuleType
from typing import Any

import zxingcpp

POINTS_MM = 72 / 25.4


@dataclass(frozen=True, slots=True)
class Seen:
    """One page in mm: its size, its text, and what its codes say where they stand.

    `codes` are words, left and top edge, breadth. `boxes` are left, top, right, bottom of letters.
    """

    width_mm: float
    height_mm: float
    text: str
    codes: tuple[tuple[str, float, float, float], ...]
    boxes: list[tuple[float, float, float, float]]

    @property
    def words(self) -> list[str]:
        return [each[0] for each in self.codes]


def seen(pdf: bytes, dpi: int = 150, *, with_boxes: bool = False) -> list[Seen]:
    document: Any = _pdfium().PdfDocument(pdf)
    try:
        return [_page(document[n], dpi, with_boxes=with_boxes) for n in range(len(document))]
    finally:
        document.close()


def _page(page: Any, dpi: int, *, with_boxes: bool) -> Seen:
    width, height = page.get_size()
    sheet = page.get_textpage()
    text = sheet.get_text_bounded()
    boxes = []
    for n in range(sheet.count_chars() if with_boxes else 0):
        left, bottom, right, top = sheet.get_charbox(n)
        if right > left:
            mm = (left, height - top, right, height - bottom)
            boxes.append(tuple(each / POINTS_MM for each in mm))
    sheet.close()
    image = page.render(scale=dpi / 72).to_pil()
    page.close()
    mm_a_dot = 25.4 / dpi
    codes = []
    for each in zxingcpp.read_barcodes(image):
        corner, other = each.position.top_left, each.position.bottom_right
        place = (corner.x * mm_a_dot, corner.y * mm_a_dot, (other.x - corner.x) * mm_a_dot)
        codes.append((each.text, *place))
    return Seen(width / POINTS_MM, height / POINTS_MM, text, tuple(sorted(codes)), boxes)


def decoded(image: Any) -> list[str]:
    """What the codes in a picture say."""
    return sorted(each.text for each in zxingcpp.read_barcodes(image))


# It brings no types, so it is known by its name only.
def _pdfium() -> ModuleType:
    return import_module("pypdfium2")
