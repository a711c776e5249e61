"""How a line stands in a show file: its words, and before them how fierce it is.

`Who walks there?`, `[4] I know your name`, `[?] Nobody judged this`, `[4?] Nor this`. Owns the
spelling and the name that words have for ever; never decides what is said.
"""

import re
from hashlib import sha256
from typing import Final, NamedTuple

LINE_CHARS_MAX: Final = 120
"""Of the words alone: with what stands before them they fit into a cue."""

_MARK: Final = re.compile(r"\[(?:([1-5])(\?)?|(\?))\] (?=\S)")
_WORD: Final = re.compile(r"[^\W_]+(?:['\N{RIGHT SINGLE QUOTATION MARK}][^\W_]+)*")


class Spoken(NamedTuple):
    """`intensity` None: that of its behaviour. `unheard`: nobody has kept it yet."""

    text: str
    intensity: int | None = None
    unheard: bool = False


def read_line(entry: str) -> Spoken:
    """Take a line of a show file apart; what has no mark is all words."""
    mark = _MARK.match(entry)
    if mark is None:
        return Spoken(entry)
    fierce, judged, alone = mark.groups()
    intensity = int(fierce) if fierce is not None else None
    return Spoken(entry[mark.end() :], intensity, bool(judged or alone))


def write_line(line: Spoken) -> str:
    """Spell a line so that `read_line` gives it back."""
    mark = f"{line.intensity or ''}{'?' if line.unheard else ''}"
    return f"[{mark}] {line.text}" if mark else line.text


def line_id(text: str) -> str:
    """Name words by themselves: the same on every machine, and the name of their sound file."""
    return sha256(text.encode()).hexdigest()[:12]


def words_in(text: str) -> list[str]:
    """Return the words of a text, in lower case."""
    return [each.casefold() for each in _WORD.findall(text)]


def is_barred(text: str, barred: frozenset[str]) -> bool:
    """Say whether a text has one of these words; whole words, in any case of letters."""
    return not barred.isdisjoint(words_in(text)) if barred else False
