"""Values of a show file as texts in a form, and back.

A text that says no value of its kind goes on as it is: the file's own checks say what is allowed.
"""

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date
from typing import Any, Final, TypeAlias

from haunt.site.plan.fields import LISTS, Field, Kind
from haunt.wire.showtable import Plain

Typed: TypeAlias = Mapping[str, list[str]]
"""What a form holds: texts by the name of the field. A name that is not there was not asked."""

YES, NO = "yes", "no"

_WHOLE: Final = re.compile(r"[+-]?[0-9]{1,18}")
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]{1,18}(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA: Final = re.compile(r"[+-]?(?:0?,[0-9]+|[0-9]{1,18},(?:[0-9]{1,2}|[0-9]{4,}))")
"""A decimal comma, the only key beside the digits on many phones. 1,500 may mean a thousand: no."""
_HOUR: Final = re.compile(r"(?:|sunset\s*[+-]\s*)[0-9]:[0-9]{2}")
_PAIR: Final = re.compile(r"([^=]+?)\s*=\s*(.+)")


class Slip(Exception):  # noqa: N818 - the word says what happened
    """A text that cannot be read as what its field holds: what is wrong, what is allowed."""

    def __init__(self, field: Field, what: str, allowed: str) -> None:
        super().__init__(what)
        self.field, self.what, self.allowed = field, what, allowed


def texts_of(field: Field, value: Any) -> list[str]:
    """What a form shows for a value of the file; as many texts as the field has inputs."""
    if field.kind in LISTS:
        return [str(each) for each in value or ()]
    if field.kind is Kind.RANGE:
        return [_number_text(each) for each in value] if value is not None else ["", ""]
    return ["" if value is None else _text_of(field.kind, value)]


def _text_of(kind: Kind, value: Any) -> str:
    if isinstance(value, bool):
        return YES if value else (NO if kind is Kind.MAYBE else "")
    if isinstance(value, int | float):
        return _number_text(value)
    if isinstance(value, dict):
        return "\n".join(f"{name} = {each}" for name, each in value.items())
    if isinstance(value, list):
        return "\n".join(str(each) for each in value)
    return str(value)


def cleaned(field: Field, texts: list[str]) -> list[str]:
    """What was typed, without what no value needs; in the shape of `texts_of`."""
    plain = [each.replace("\r\n", "\n").strip() for each in texts]
    if field.kind in LISTS:
        return [each for each in plain if each]
    if field.kind is Kind.RANGE:
        return [*plain, "", ""][:2]
    if field.kind in {Kind.LINES, Kind.PAIRS, Kind.TRACKS}:
        return ["\n".join(each.strip() for each in plain[-1].split("\n") if each.strip())]
    return plain[-1:] or [""]  # a box that is ticked comes after the one that says it was there


def value_of(field: Field, texts: list[str]) -> Plain:
    """The value that cleaned texts say; None for an empty field. Raises Slip."""
    if field.kind in LISTS:
        return list(texts) or None
    if field.kind is Kind.RANGE:
        return _range(field, texts)
    return _READ[field.kind](field, texts[0]) if texts[0] else None


def _number_text(value: Any) -> str:
    return str(value).removesuffix(".0")


def _as_it_is(_field: Field, text: str) -> Plain:
    return text


def _time(_field: Field, text: str) -> Plain:
    """7:00 is 07:00."""
    return f"{text[:-4]}0{text[-4:]}" if _HOUR.fullmatch(text) else text


def _number(_field: Field, text: str) -> Plain:
    if _COMMA.fullmatch(text):
        return float(text.replace(",", "."))
    if _WHOLE.fullmatch(text):
        return int(text)
    return float(text) if _NUMBER.fullmatch(text) else text


def _date(_field: Field, text: str) -> Plain:
    with suppress(ValueError):
        return date.fromisoformat(text)
    return text


def _range(field: Field, texts: list[str]) -> Plain:
    """The first end alone is both: one number."""
    low, high = texts
    if not (low or high):
        return None
    if not low:
        raise Slip(field, "has its second end only", "the first alone, both, or neither")
    return [_number(field, low), _number(field, high or low)]


def _yes_or_no(_field: Field, text: str) -> Plain:
    return {YES: True, NO: False}.get(text, text)


def _lines(_field: Field, text: str) -> Plain:
    return list(text.split("\n"))


def _tracks(field: Field, text: str) -> Plain:
    return dict(_named(field, text)) if "=" in text else _lines(field, text)


def _pairs(field: Field, text: str) -> Plain:
    """Numbers are numbers here: pins."""
    named = _named(field, text)
    return {name: int(each) if _WHOLE.fullmatch(each) else each for name, each in named.items()}


def _named(field: Field, text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in text.split("\n"):
        pair = _PAIR.fullmatch(line)
        if pair is None:
            raise Slip(field, f"has the line {line[:40]!r}", "name = what it is, one a line")
        name, value = pair.groups()
        if name in found:
            raise Slip(field, f"has {name[:40]!r} twice", "each name once")
        found[name] = value
    return found


_READ: Final[dict[Kind, Callable[[Field, str], Plain]]] = {
    Kind.TEXT: _as_it_is,
    Kind.TIME: _time,
    Kind.CHOICE: _as_it_is,
    Kind.REF: _as_it_is,
    Kind.NUMBER: _number,
    Kind.WHOLE: _number,
    Kind.SECONDS: _number,
    Kind.DATE: _date,
    Kind.YES: _yes_or_no,
    Kind.MAYBE: _yes_or_no,
    Kind.LINES: _lines,
    Kind.PAIRS: _pairs,
    Kind.TRACKS: _tracks,
}
