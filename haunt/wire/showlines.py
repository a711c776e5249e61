"""Where each key of a TOML text stands, for faults and for changing one table in place.

The text must already have been read by a TOML parser: this finds places, it does not judge.
"""

import re
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import Final, TypeAlias

Path: TypeAlias = tuple[str | int, ...]
Span: TypeAlias = tuple[int, int]

_BLANK: Final = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_STRING: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?!")|\'\'\'.*?\'\'\'(?!\')|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', re.DOTALL
)
_KEY: Final = re.compile(r'[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'')
_BARE: Final = re.compile(r"[^,\]}\n#]+")
_DOT: Final = re.compile(r"[ \t]*\.[ \t]*")
_SPACE: Final = re.compile(r"[ \t]*")
_ESCAPE: Final = re.compile(r'\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|([btnfr"\\]))')
_ESCAPED: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


@dataclass(slots=True)
class Places:
    """Offsets of keys by path, and the span of each table that has a header of its own."""

    text: str
    offsets: dict[Path, int] = field(default_factory=dict)
    tables: dict[Path, Span] = field(default_factory=dict)
    _newlines: list[int] = field(default_factory=list)

    def line_of(self, path: Path) -> int:
        """The line of the key, or of the nearest table around it that is written down."""
        while path and path not in self.offsets:
            path = path[:-1]
        return self.line_at(self.offsets.get(path, 0))

    def line_at(self, offset: int) -> int:
        if not self._newlines:
            self._newlines = [at for at, char in enumerate(self.text) if char == "\n"]
        return bisect_right(self._newlines, offset - 1) + 1


def places_of(text: str) -> Places:
    return _Scan(text).run()


class _Scan:
    """One walk over the text. `counts` holds how many tables each array of tables has so far."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._counts: dict[Path, int] = {}
        self._places = Places(text)

    def run(self) -> Places:
        self._at = 1 if self._text.startswith("\ufeff") else 0
        table: Path = ()
        start = 0
        self._skip(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                self._places.tables[table] = (start, self._at)
                start = self._at
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        self._places.tables[table] = (start, len(self._text))
        return self._places

    def _header(self) -> Path:
        opened = self._at
        is_array = self._text.startswith("[[", self._at)
        self._at += 2 if is_array else 1
        keys = self._keys()
        self._at = self._text.index("]", self._at) + (2 if is_array else 1)
        path: Path = ()
        for key in keys[:-1]:
            self._note((*path, key), opened)
            path = self._last((*path, key))
        path = (*path, keys[-1])
        self._note(path, opened)
        if is_array:
            number = self._counts.get(path, 0)
            self._counts[path] = number + 1
            path = (*path, number)
            self._note(path, opened)
        return path

    def _last(self, path: Path) -> Path:
        count = self._counts.get(path, 0)
        return (*path, count - 1) if count else path

    def _pair(self, table: Path) -> None:
        path = self._key_path(table)
        self._value(path)

    def _key_path(self, table: Path) -> Path:
        """Read `a.b.c =` and note each part."""
        opened = self._at
        path = table
        for key in self._keys():
            path = (*path, key)
            self._note(path, opened)
        self._at = self._text.index("=", self._at) + 1
        self._skip(_SPACE)
        return path

    def _value(self, path: Path) -> None:
        """Walk one value; what is open stands on a list, so that depth costs no stack."""
        is_open: list[tuple[Path, int | None]] = []  # an array with its next index, or a table
        wants_value = True
        while True:
            if wants_value:
                wants_value = False
                char = self._text[self._at : self._at + 1]
                if char == "[":
                    is_open.append((path, 0))
                    self._at += 1
                elif char == "{":
                    is_open.append((path, None))
                    self._at += 1
                else:
                    self._scalar()
            if not is_open:
                return
            self._skip(_BLANK)
            char = self._text[self._at]
            if char in "]}":
                self._at += 1
                is_open.pop()
                continue
            if char == ",":
                self._at += 1
                continue
            around, index = is_open[-1]
            if index is None:
                path = self._key_path(around)
            else:
                path = (*around, index)
                is_open[-1] = (around, index + 1)
                self._note(path, self._at)
            wants_value = True

    def _scalar(self) -> None:
        found = _STRING.match(self._text, self._at) or _BARE.match(self._text, self._at)
        assert found is not None, "the parser took a value that the scan cannot see"
        self._at = found.end()

    def _keys(self) -> list[str]:
        keys = []
        self._skip(_SPACE)
        while True:
            found = _KEY.match(self._text, self._at)
            assert found is not None, "the parser took a key that the scan cannot see"
            self._at = found.end()
            keys.append(_unquoted(found.group()))
            dot = _DOT.match(self._text, self._at)
            if dot is None:
                return keys
            self._at = dot.end()

    def _note(self, path: Path, offset: int) -> None:
        self._places.offsets.setdefault(path, offset)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self._text, self._at)
        if found is not None:
            self._at = found.end()


def _unquoted(key: str) -> str:
    if key[0] == "'":
        return key[1:-1]
    if key[0] != '"':
        return key
    return _ESCAPE.sub(_escaped, key[1:-1])


def _escaped(found: re.Match[str]) -> str:
    four, eight, short = found.groups()
    return _ESCAPED[short] if short else chr(int(four or eight, 16))
