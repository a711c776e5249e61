"""What the sums and the file's checks say of one row: beside the field, or with their place.

Computes nothing of its own: findings come from the study, faults from the show file.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, Final, NamedTuple

from haunt.site.findings import MARKS
from haunt.site.plan.edits import Made, Refused
from haunt.site.plan.tables import ALL, Row, row_at, rows_of
from haunt.site.ports import SunsetOf
from haunt.study.findings.book import Book, NotChecked, look
from haunt.study.findings.kinds import Finding, PackForecast, chance
from haunt.study.findings.words import amount, measured
from haunt.wire.showerrors import Fault, ShowFileRefused
from haunt.wire.showfile import ReadShow, key_text, read_show
from haunt.wire.showlines import Path

BOOKS_KEPT: Final = 4
FAULT: Final = "Fault"
_STEP: Final = re.compile(r"\.?([^.\[\]]+)|\[([^\]]+)\]")


class Line(NamedTuple):
    """One sentence beside a field: `level` and `shape` as in the list of findings."""

    level: str
    shape: str
    word: str
    why: str
    figure: str = ""
    mend: str = ""
    href: str = ""
    title: str = ""


@dataclass(frozen=True, slots=True)
class Said:
    """What there is to say of a row: by the field's name, of the row, and of other rows.

    `is_weighed`: the sums were done; without that, nothing said means nothing known.
    """

    is_weighed: bool = False
    faults: dict[str, list[str]] = field(default_factory=dict)
    faults_elsewhere: list[Line] = field(default_factory=list)
    sums: dict[str, list[Line]] = field(default_factory=dict)
    of_row: list[Line] = field(default_factory=list)
    elsewhere: list[Line] = field(default_factory=list)
    cured: int = 0
    packs: list[str] = field(default_factory=list)
    needs: list[str] = field(default_factory=list)

    @property
    def fault_count(self) -> int:
        return sum(map(len, self.faults.values())) + len(self.faults_elsewhere)

    @property
    def sum_count(self) -> int:
        return sum(map(len, self.sums.values())) + len(self.of_row) + len(self.elsewhere)


class Known(NamedTuple):
    """A text that was read: the show, or its faults."""

    read: ReadShow | None
    faults: tuple[Fault, ...] = ()


class Shows:
    """Reads texts and has their sums done, each once while it is among the last."""

    def __init__(self, sunset_of: SunsetOf) -> None:
        self._sunset_of, self._lock = sunset_of, Lock()
        self._known: dict[str, Known] = {}
        self._books: dict[str, Book] = {}

    def read(self, text: str) -> Known:
        with self._lock:
            if text not in self._known:
                _keep_few(self._known)
                try:
                    self._known[text] = Known(read_show(text, "show"))
                except ShowFileRefused as refused:
                    self._known[text] = Known(None, refused.faults)
            return self._known[text]

    def book(self, read: ReadShow) -> Book:
        with self._lock:
            if read.text not in self._books:
                _keep_few(self._books)
                self._books[read.text] = look(read, self._sunset_of(read.show))
            return self._books[read.text]


def _keep_few(kept: dict[str, Any]) -> None:
    while len(kept) >= BOOKS_KEPT:
        del kept[next(iter(kept))]


# --- sums


def sums_of(
    row: Row, read: ReadShow, book: Book, before: Book | None, names: Iterable[str]
) -> Said:
    """Sort a book by a row's fields (`names`); what `before` has not is news where it stands."""
    old = {_told(each.finding) for each in before.findings} if before is not None else set()
    gone = len(old - {_told(each.finding) for each in book.findings})
    said = Said(is_weighed=True, packs=_packs(book, row), needs=_needs(book, row), cured=gone)
    known = set(names)
    for placed in book.findings:
        found = placed.finding
        if found.path[: len(row.path)] == row.path:
            name = _field_of(found.path[len(row.path) :], known)
            (said.sums.setdefault(name, []) if name else said.of_row).append(_line(found))
        elif _is_about(found, row):
            said.of_row.append(_line(found, row_at(found.path, read.raw)))
        elif before is not None and _told(found) not in old:
            said.elsewhere.append(_line(found, row_at(found.path, read.raw)))
    return said


def _told(finding: Finding) -> tuple[str, str, str]:
    return finding.check, finding.about.kind, finding.about.id


def _is_about(finding: Finding, row: Row) -> bool:
    own = row.value.get("id", row.value.get("name"))
    return row.table.name == finding.about.kind and own == finding.about.id


def _line(finding: Finding, at: Row | None = None) -> Line:
    mark = MARKS[finding.severity]
    return Line(
        mark.level,
        mark.shape,
        mark.word,
        finding.why,
        measured(finding.figure) if finding.figure is not None else "",
        finding.mend,
        at.href if at is not None else "",
        at.title if at is not None else "",
    )


def _field_of(rest: Path, names: set[str]) -> str:
    """The field in which a path within a row ends, or that holds it."""
    for length in range(len(rest), 0, -1):
        name = ".".join(str(step) for step in rest[:length])
        if name in names:
            return name
    return ""


def _packs(book: Book, row: Row) -> list[str]:
    board = row.value.get("id") if row.table.name == "board" else row.value.get("board")
    return [_pack(each) for each in book.packs if each.board == board]


def _pack(of: PackForecast) -> str:
    found = of.forecast
    assumed = f" Assumed: {', '.join(of.assumed)}." if of.assumed else ""
    return (
        f"Pack of {of.board}: lasts till close with P {chance(found.sure)}. {found.night_h:.1f} h "
        f"take {amount(found.takes, 'mAh')} of {amount(found.gives, 'mAh')}.{assumed}"
    )


def _needs(book: Book, row: Row) -> list[str]:
    own = row.value.get("id")
    return [_need(each) for each in book.unchecked if own is not None and own in each.ids]


def _need(of: NotChecked) -> str:
    return f"Not summed: {of.need.settles}; it needs {of.need.keys}. {of.need.how}"


# --- faults


def faults_of(refused: Refused, names: Iterable[str], *, is_live: bool = False) -> Said:
    """Sort a refusal by a row's fields. While somebody types, what is still to come is no fault."""
    said, known = Said(), set(names)
    for slip in refused.slips:
        said.faults.setdefault(slip.field.name, []).append(_sentence(slip.what, slip.allowed))
    for fault in refused.faults:
        own = _within(fault.key, refused)
        if is_live and fault.what == "is missing":
            continue
        if own is None:
            said.faults_elsewhere.append(_elsewhere(fault, refused.raw))
        else:
            sentence = _sentence(fault.what, fault.allowed)
            said.faults.setdefault(_field_of(own, known), []).append(sentence)
    return said


def _sentence(what: str, allowed: str) -> str:
    return f"{what[0].upper()}{what[1:]}. Allowed: {_typed(allowed)}."


def _typed(allowed: str) -> str:
    """What is typed into a field stands without the file's quotes."""
    return allowed.removesuffix(", in quotes").replace("text in quotes", "text")


def _within(key: str, refused: Refused) -> Path | None:
    """The rest of a fault's key within a row, None for one that is elsewhere."""
    if refused.row is None:
        return None
    own = key_text(refused.row.path, refused.raw)
    rest = key.removeprefix(own)
    if rest == key or (rest and rest[0] not in ".["):
        return None
    node: Any = refused.row.value
    path: list[str | int] = []
    for name, bracket in _STEP.findall(rest):
        path.append(_number_of(bracket, node) if bracket else name)
        node = node[path[-1]] if _is_in(path[-1], node) else None
    return tuple(path)


def _number_of(bracket: str, rows: Any) -> int:
    """Which row of a list: named by its id, else counted from 1."""
    ids = [row.get("id") if isinstance(row, dict) else None for row in rows or ()]
    if bracket in ids:
        return ids.index(bracket)
    return int(bracket) - 1 if bracket.isdigit() else 0


def _is_in(step: str | int, node: Any) -> bool:
    if isinstance(node, dict):
        return step in node
    return isinstance(node, list) and isinstance(step, int) and step < len(node)


def _elsewhere(fault: Fault, raw: Mapping[str, Any]) -> Line:
    row = _row_called(fault.key, raw)
    if row is None:
        said = _sentence(f"{fault.key} {fault.what}", fault.allowed)
        return Line("now", "cross", FAULT, said)
    rest = fault.key.removeprefix(key_text(row.path, raw)).removeprefix(".")
    said = f"{rest} {fault.what}. Allowed: {_typed(fault.allowed)}.".lstrip()
    return Line("now", "cross", FAULT, said, href=row.href, title=row.title)


def _row_called(key: str, raw: Mapping[str, Any]) -> Row | None:
    """The innermost row that a fault's key names."""
    rows = (row for table in ALL.values() for row in rows_of(table, dict(raw)))
    found = [row for row in rows if key.startswith(key_text(row.path, raw))]
    return max(found, key=lambda row: len(row.path), default=None)


def said_of(made: Made, before: ReadShow, shows: Shows, names: Iterable[str]) -> Said:
    """All that is to say of a change that the file would take."""
    if made.row is None:
        return Said()
    return sums_of(made.row, made.read, shows.book(made.read), shows.book(before), names)
