"""The show file: text to a checked value with every fault listed at once, and back without loss.

The text is the truth. Reading takes the standard library's parser for speed; the round-trip parser
is asked only when something is to be changed. Nothing here opens a file.
"""

import re
import tomllib
from functools import cached_property
from typing import Any, Final, get_args

import tomlkit
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from haunt.wire.forms import is_id
from haunt.wire.showchecks import Finding, Unknown, findings
from haunt.wire.showerrors import Fault, ShowFileRefused
from haunt.wire.showlines import Path, Places, places_of
from haunt.wire.showmodels import ShowFile
from haunt.wire.words import Words, clipped, words_of

SHOW_CHARS_MAX: Final = 1_000_000
NEAREST_LOOKED_FOR_MAX: Final = 100
_LINE: Final = re.compile(r"line (\d+)")
_A_TABLE: Final = "a table of keys"


class ReadShow:
    """A show file that was read: its value, its text, and where it came from."""

    def __init__(self, text: str, file: str, show: ShowFile, raw: dict[str, object]) -> None:
        self.text: Final = text
        self.file: Final = file
        self.show: Final = show
        self.raw: Final = raw

    @cached_property
    def document(self) -> tomlkit.TOMLDocument:
        """The text as a document with its comments, for a look at it.

        Not for writing: arrays of tables that stand apart in the text are gathered in it.
        """
        return tomlkit.parse(self.text.removeprefix("\ufeff"))

    @cached_property
    def places(self) -> Places:
        return places_of(self.text)


def read_show(text: str, file: str) -> ReadShow:
    """Raises ShowFileRefused with every fault."""
    raw = _parsed(text, file)
    show, found = _validated(raw)
    if show is None or found:
        raise ShowFileRefused(_faults(found, raw, file, places_of(text)))
    return ReadShow(text, file, show, raw)


def show_from_json(obj: object, file: str = "show") -> ShowFile:
    """The same checks as for text; faults have no line. Raises ShowFileRefused."""
    if not isinstance(obj, dict):
        raise ShowFileRefused([Fault(file, 0, "show", "is no object", "an object with the tables")])
    show, found = _validated(obj)
    if show is None or found:
        raise ShowFileRefused(_faults(found, obj, file, None))
    return show


def show_to_json(show: ShowFile) -> dict[str, Any]:
    """What the file says, under the file's own keys; what it leaves out is left out here, too."""
    return show.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True)


def show_to_toml(show: ShowFile) -> str:
    """A new text for a show that came without one."""
    plain = show.model_dump(mode="python", by_alias=True, exclude_unset=True, exclude_none=True)
    return tomlkit.dumps(plain)


def _parsed(text: str, file: str) -> dict[str, object]:
    if len(text) > SHOW_CHARS_MAX:
        length = Fault(file, 1, "file", f"has {len(text)} characters", f"at most {SHOW_CHARS_MAX}")
        raise ShowFileRefused([length])
    try:
        return tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as fault:  # ValueError: also a number of 5,000 digits
        said = "nested too deep" if isinstance(fault, RecursionError) else str(fault)
    raise ShowFileRefused(
        [Fault(file, _line(said, text), "file", f"is not TOML: {said}", "TOML 1.0")]
    )


def _line(said: str, text: str) -> int:
    found = _LINE.search(said)
    if found:
        return int(found.group(1))
    return text.count("\n") + 1 if "end of document" in said else 1


def _validated(raw: dict[str, object]) -> tuple[ShowFile | None, list[Finding]]:
    between = list(findings(raw))
    try:
        return ShowFile.model_validate(raw), between
    except ValidationError as refused:
        errors = refused.errors(include_url=False)
        return None, [*(_finding(error) for error in errors), *between]


def _finding(error: ErrorDetails) -> Finding:
    if error["type"] == "extra_forbidden":
        *table, key = error["loc"]
        known = dict.fromkeys(_KEYS[_names(tuple(table))])
        return Finding(error["loc"], "is not a key of this table", Unknown(str(key), known, "key"))
    words = words_of(error, _A_TABLE)
    if error["type"] == "tuple_type" and isinstance(error["input"], dict):
        words = Words(words.what, f"a list, each under [[{'.'.join(_names(error['loc']))}]]")
    # Steps like "tuple[...]" or "[key]" are pydantic's own, not the file's.
    return Finding(tuple(step for step in error["loc"] if "[" not in str(step)), *words)


def _names(path: Path) -> tuple[str, ...]:
    return tuple(step for step in path if isinstance(step, str))


def _faults(
    found: list[Finding], raw: dict[str, object], file: str, places: Places | None
) -> list[Fault]:
    faults = [
        Fault(
            file=file,
            line=places.line_of(path) if places else 0,
            key=key_text(path, raw),
            what=what,
            allowed=allowed
            if isinstance(allowed, str)
            else allowed.allowed(look_for_nearest=number < NEAREST_LOOKED_FOR_MAX),
        )
        for number, (path, what, allowed) in enumerate(found)
    ]
    return sorted(dict.fromkeys(faults), key=lambda fault: fault.line)


def key_text(path: Path, raw: object) -> str:
    """`prop[gatekeeper].cooldown_s`; tables without an id are counted from 1."""
    said = ""
    node = raw
    for step in path:
        node = _inside(node, step)
        if isinstance(step, int):
            name = node.get("id") if isinstance(node, dict) else None
            said += f"[{name if isinstance(name, str) and is_id(name) else step + 1}]"
        else:
            said += f"{'.' if said else ''}{clipped(ascii(step)[1:-1])}"
    return said


def _inside(node: object, step: str | int) -> object:
    if isinstance(node, dict):
        return node.get(step)
    if isinstance(node, list | tuple) and isinstance(step, int) and step < len(node):
        return node[step]
    return None


def _keys_of(
    model: type[BaseModel], names: tuple[str, ...] = ()
) -> dict[tuple[str, ...], list[str]]:
    """Every table's keys by the names that lead to it."""
    found = {names: [field.alias or name for name, field in model.model_fields.items()]}
    for name, field in model.model_fields.items():
        for inner in _models_in(field.annotation):
            found |= _keys_of(inner, (*names, field.alias or name))
    return found


def _models_in(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in get_args(annotation) for model in _models_in(inner)]


_KEYS: Final = _keys_of(ShowFile)
