"""Reads lines from text or CSV: all of a file with every fault named, or nothing of it."""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

from haunt.study.pools.pool import PoolLine, State
from haunt.wire.saying import LINE_CHARS_MAX, Spoken, line_id, read_line
from haunt.wire.showerrors import Fault

ENTRIES_MAX: Final = 2000
TEXT_ALLOWED: Final = f"1 to {LINE_CHARS_MAX} printable characters"
COLUMNS: Final = ("line", "intensity", "prop", "behaviour")
WORD_OF: Final = {"text": "line", "words": "line"}
NO_COLUMN: Final = f"a column line; further {', '.join(COLUMNS[1:])}"


class Entry(NamedTuple):
    """One line that was read; `prop` and `behaviour` are empty where the file does not say."""

    text: str
    intensity: int | None = None
    prop: str = ""
    behaviour: str = ""

    def fresh(self, prop: str, behaviour: str, source: str, at_ms: int, by: str) -> PoolLine:
        """Return it as a line that nobody judged yet; `prop` and `behaviour` if it names none."""
        of = (self.prop or prop, self.behaviour or behaviour, line_id(self.text))
        made = PoolLine(*of, self.text, self.intensity, State.NEW, source, at_ms, by)
        return made._replace(pending=True)


class Read(NamedTuple):
    """What a file holds; with faults nothing of it may be taken. `repeated` came twice in it."""

    entries: tuple[Entry, ...]
    faults: tuple[Fault, ...]
    repeated: int = 0


def read_lines(text: str, file: str) -> Read:
    """Read CSV where the first row names a column `line`, else one line of text a line.

    In text, blank lines and such as begin with # are passed over, and `[4]` before a line says
    its intensity.
    """
    is_csv = file.lower().endswith(".csv") or _names_columns(text)
    found, faults = list[Entry](), list[Fault]()
    for number, entry in _of_csv(text, file) if is_csv else _of_text(text):
        if isinstance(entry, Fault):
            faults.append(entry)
            continue
        what = _wrong_with(entry.text)
        if what:
            faults.append(Fault(file, number, "line", what, TEXT_ALLOWED))
        else:
            found.append(entry)
    entries = tuple(dict.fromkeys(found))
    if len(entries) > ENTRIES_MAX:
        faults = [Fault(file, 1, "file", f"has {len(entries)} lines", f"at most {ENTRIES_MAX}")]
    if not entries and not faults:
        faults = [Fault(file, 1, "file", "has no lines", "one line of text a line, or CSV")]
    return Read(entries, tuple(faults), len(found) - len(entries))


def _wrong_with(text: str) -> str:
    if len(text) > LINE_CHARS_MAX:
        return f"has {len(text)} characters"
    if not text.strip():
        return "is empty"
    return "" if text.isprintable() else "has a character that cannot be printed"


def _of_text(text: str) -> Iterator[tuple[int, Entry | Fault]]:
    for number, raw in enumerate(text.removeprefix("\ufeff").splitlines(), start=1):
        line = raw.strip()
        if line and not line.startswith("#"):
            spoken: Spoken = read_line(line)
            yield number, Entry(spoken.text, spoken.intensity)


def _of_csv(text: str, file: str) -> Iterator[tuple[int, Entry | Fault]]:
    rows = csv.reader(io.StringIO(text.removeprefix("\ufeff")), dialect=_dialect(text))
    try:
        head = [_column(each) for each in next(rows, [])]
        if "line" not in head:
            said = ", ".join(filter(None, head)) or "nothing"
            yield 1, Fault(file, 1, "columns", f"are {said[:60]}", NO_COLUMN)
            return
        for row in rows:
            if any(each.strip() for each in row):
                yield rows.line_num, _of_row(head, row, file, rows.line_num)
    except csv.Error as fault:
        yield rows.line_num, Fault(file, rows.line_num, "file", f"is no CSV: {fault}", "RFC 4180")


def _of_row(head: Sequence[str], row: Sequence[str], file: str, number: int) -> Entry | Fault:
    if len(row) > len(head):
        what = f"has {len(row)} cells"
        return Fault(file, number, "row", what, f"at most {len(head)}; quote a cell with a comma")
    cells = {name: cell.strip() for name, cell in zip(head, row, strict=False)}
    said = cells.get("intensity", "")
    if said and (len(said) != 1 or said not in "12345"):
        return Fault(file, number, "intensity", f"is {said[:20]!r}", "1 to 5, or nothing")
    return Entry(
        cells.get("line", ""),
        int(said) if said else None,
        cells.get("prop", ""),
        cells.get("behaviour", ""),
    )


def _names_columns(text: str) -> bool:
    first = text.removeprefix("\ufeff").split("\n", 1)[0].strip()
    names = [_column(each) for each in first.replace(";", ",").replace("\t", ",").split(",")]
    return "line" in names and all(each in COLUMNS for each in names)


def _column(name: str) -> str:
    plain = name.strip().strip('"').lower()
    return WORD_OF.get(plain, plain)


def _dialect(text: str) -> type[csv.Dialect]:
    """Take what stands between the names of columns: a comma, or what spreadsheets write."""
    first = text.split("\n", 1)[0]

    class Found(csv.excel):
        delimiter = max(",;\t", key=first.count) if any(c in first for c in ",;\t") else ","
        strict = True

    return Found
