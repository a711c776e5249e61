"""The text of a show file while it is changed: each step touches its own table and nothing else.

Owns surgery on text and the value that goes with it; never judges whether the show is valid. Read
the draft when all steps are done.
"""

import re
from copy import deepcopy
from typing import Any, Final

from haunt.wire import showtable
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showlines import Path, Span, places_of
from haunt.wire.showtable import Plain, Values, given, is_rows, same

_COMMENTS_ABOVE: Final = re.compile(r"(?:^[ \t]*#[^\n]*\n)+\Z", re.MULTILINE)
_BLANK_ABOVE: Final = re.compile(r"(?:^[ \t]*\r?\n)+\Z", re.MULTILINE)
_BLANK_BELOW: Final = re.compile(r"(?:[ \t]*\r?\n)+")
_LONE: Final = re.compile(r"(?<!\r)\n")


class Draft:
    """Paths are those of the raw value: `("prop", 3, "behaviour", 0)` is a row, counted from 0."""

    def __init__(self, read: ReadShow) -> None:
        self.file: Final = read.file
        self.raw: dict[str, Any] = deepcopy(read.raw)
        self.text = read.text
        self._places = read.places
        self._line_end: Final = "\r\n" if "\r\n" in read.text else "\n"

    def read(self) -> ReadShow:
        """Raises ShowFileRefused with every fault of what the steps came to."""
        changed = read_show(self.text, self.file)
        assert same(changed.raw, self.raw), "a change reached beyond its table"
        return changed

    def at(self, path: Path) -> Any:
        """What stands there; None where nothing does."""
        node: Any = self.raw
        for step in path:
            if isinstance(node, dict):
                node = node.get(step)
            elif isinstance(node, list) and isinstance(step, int) and step < len(node):
                node = node[step]
            else:
                node = None
        return node

    # --- steps

    def put(self, path: Path, values: Values) -> None:
        """Set keys of one table; None takes a key out. What is the same already stays untouched."""
        here = self.at(path) or {}
        for key, value in values.items():
            if value is None:
                if key in here:
                    self.remove((*path, key))
            elif key not in here or not same(here[key], value):
                self._set(path, key, value)

    def add(self, array: Path, values: Values) -> Path:
        """Put a row after the last one of its array of tables; return its path."""
        rows, row = self.at(array) or [], given(values)
        path = (*array, len(rows))
        is_inline = bool(rows) and not self._is_headed((*array, 0))
        if is_inline or (len(array) > 1 and not self._spans(array[:-1])):
            self._inline(array[:-1], array[-1], [*rows, row])
        else:
            names = tuple(step for step in array if isinstance(step, str))
            self._insert(array, showtable.fresh_row(names, row))
            self.at(array[:-1]).setdefault(array[-1], []).append(row)
        return path

    def copy(self, path: Path, values: Values) -> Path:
        """Repeat a row right after itself, with the comments in it and with other values."""
        array, number = path[:-1], path[-1]
        assert isinstance(number, int), "only rows can be copied"
        rows = self.at(array)
        twin = {**deepcopy(rows[number]), **given(values)}
        if not self._is_headed(path):
            self._inline(array[:-1], array[-1], [*rows[: number + 1], twin, *rows[number + 1 :]])
            return (*array, number + 1)
        parts = [self.text[start:end] for start, end in self._joined(path)]
        own = head = self._body(self._places.tables[path])
        for key, value in given(values).items():
            own = showtable.changed(own, _alone(path), key, value)
        parts[0] = self._own_line_ends(own, like=head) + parts[0].removeprefix(head)
        end = self._end(path)
        self._replace((end, end), self._line_end + self._line_end.join(parts))
        rows.insert(number + 1, twin)
        return (*array, number + 1)

    def remove(self, path: Path) -> None:
        """Take out a key, a row or a table, with what it holds and the comments right above it."""
        if not self._spans(path):
            self._inline(path[:-1], path[-1], None)
        else:
            for span in reversed(self._joined(path)):
                self._cut(span)
            del self.at(path[:-1])[path[-1]]
        while (path := path[:-1]) and not self.at(path) and path not in self._places.offsets:
            del self.at(path[:-1])[path[-1]]  # it stood there only by what it held

    # --- one key

    def _set(self, path: Path, key: str, value: Plain) -> None:
        inner = (*path, key)
        old = self.at(inner)
        if isinstance(value, dict) and isinstance(old, dict) and self._spans(inner):
            self.put(inner, {**dict.fromkeys(old), **value})
        elif is_rows(value) and is_rows(old) and self._is_headed((*inner, 0)):
            assert isinstance(value, list)
            self._set_rows(inner, old, value)
        elif self._spans(inner):
            self.remove(inner)
            self._set(path, key, value)
        elif self._around(path) is not None:
            self._inline(path, key, value)
        elif len(path) > 1:
            self._set(path[:-1], str(path[-1]), {key: value})
        else:
            self._begin(str(path[0]), {key: value})

    def _set_rows(self, array: Path, old: list[Any], wanted: list[Plain]) -> None:
        for number in reversed(range(len(wanted), len(old))):
            self.remove((*array, number))
        for number, row in enumerate(wanted):
            assert isinstance(row, dict), "rows only"
            if number < len(old):
                self.put((*array, number), {**dict.fromkeys(old[number]), **row})
            else:
                self.add(array, row)

    def _begin(self, name: str, values: Values) -> None:
        """Write a table that is there once; before what it holds, where that is there already."""
        text = self._own_line_ends(showtable.fresh_table(name, values))
        at = self._places.offsets.get((name,))
        if at is None:
            self._append(text)
        else:
            self._replace((at, at), text + self._line_end)
        self.raw.setdefault(name, {}).update(given(values))

    def _inline(self, path: Path, key: str | int, value: Plain) -> None:
        """Set a key where it stands, or in the text of the table around it."""
        around = self._around(path)
        assert around is not None, "nothing stands around the key"
        span = self._places.tables[around]
        body = self._body(span)
        inside = (*_alone(around), *path[len(around) :])
        text = self._own_line_ends(showtable.changed(body, inside, key, value), like=body)
        self._replace((span[0], span[0] + len(body)), text)
        if value is None:
            del self.at(path)[key]
        else:
            self.at(path)[key] = deepcopy(value)

    def _around(self, path: Path) -> Path | None:
        """The table with a header of its own in whose text this table is written."""
        at = self._places.offsets.get(path, 0)
        for length in range(len(path), -1, -1):
            span = self._places.tables.get(path[:length])
            if span is not None and (length == len(path) or span[0] <= at < span[1]):
                return path[:length] if path in self._places.offsets or not path else None
        return None

    # --- text

    def _is_headed(self, path: Path) -> bool:
        return path in self._places.tables

    def _spans(self, path: Path) -> list[Span]:
        """Of this table and all that it holds, in the order of the text."""
        tables = self._places.tables
        return sorted(tables[each] for each in tables if path and each[: len(path)] == path)

    def _joined(self, path: Path) -> list[Span]:
        """The same with neighbours as one, each without the tail that leads to what follows."""
        found: list[Span] = []
        for span in self._spans(path):
            if found and found[-1][1] == span[0]:
                found[-1] = (found[-1][0], span[1])
            else:
                found.append(span)
        return [(start, start + len(self._body((start, end)))) for start, end in found]

    def _body(self, span: Span) -> str:
        """Cut off the blank lines and comments at the end: they lead to the next table."""
        lines = self.text[span[0] : span[1]].split("\n")
        kept = len(lines)
        while kept > 1 and lines[kept - 1].lstrip()[:1] in {"", "#"}:
            kept -= 1
        return "\n".join(lines[:kept]) + ("\n" if kept < len(lines) else "")

    def _end(self, path: Path) -> int:
        """Where the last table under this path ends; a line is ended that was not."""
        start, end = self._spans(path)[-1]
        at = start + len(self._body((start, end)))
        if not self.text[:at].endswith("\n"):
            self._replace((at, at), self._line_end)
            at += len(self._line_end)
        return at

    def _insert(self, array: Path, text: str) -> None:
        """Write a row after the last of its kind, or after the row that it belongs to."""
        text = self._own_line_ends(text)
        near = array if self._spans(array) else array[:-1]
        if not self._spans(near):
            self._append(text)
            return
        end = self._end(near)
        self._replace((end, end), self._line_end + text)

    def _append(self, text: str) -> None:
        end = len(self.text)
        gap = self._line_end if self.text.endswith("\n") else self._line_end * 2
        self._replace((end, end), (gap if self.text.strip() else "") + text)

    def _cut(self, span: Span) -> None:
        """Take a table out, its comments, and one of the gaps that it stood between."""
        before, after = self.text[: span[0]], self.text[span[1] :]
        above = _COMMENTS_ABOVE.search(before)
        if above is not None and above.start() > 0:
            before = before[: above.start()]
        if not after.strip():
            before = _BLANK_ABOVE.sub("", before)
        elif _BLANK_ABOVE.search(before) or not before.strip():
            after = _BLANK_BELOW.sub("", after, count=1) if _BLANK_BELOW.match(after) else after
        self._replace((0, len(self.text)), before + after)

    def _own_line_ends(self, text: str, like: str = "") -> str:
        is_all = self._line_end == "\r\n" and not _LONE.search(like)
        return _LONE.sub("\r\n", text) if is_all else text

    def _replace(self, span: Span, text: str) -> None:
        self.text = f"{self.text[: span[0]]}{text}{self.text[span[1] :]}"
        self._places = places_of(self.text)


def _alone(path: Path) -> Path:
    """Where a table is found when its text stands by itself."""
    names = tuple(step for step in path if isinstance(step, str))
    return (*names, 0) if path and isinstance(path[-1], int) else names
