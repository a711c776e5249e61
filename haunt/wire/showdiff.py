"""What differs between two show files, key by key: rows are told by what names them.

Compares values; comments and layout are not looked at, and the order of rows does not count.
"""

from collections.abc import Callable, Iterator, Mapping
from difflib import SequenceMatcher
from enum import StrEnum
from typing import Any, Final, NamedTuple

from haunt.wire.showtable import is_rows, same


class What(StrEnum):
    ADDED = "added"
    REMOVED = "removed"
    CHANGED = "changed"
    RENAMED = "renamed"


class Difference(NamedTuple):
    """`name` is the row's id (`gatekeeper.growl`), or what else names it, or its number.

    It is empty for a table that is there once.

    `key` is dotted; empty where the row as a whole came, went or got another id. A row that came or
    went is whole in `after` or `before`.
    """

    what: What
    table: str
    name: str
    key: str = ""
    before: Any = None
    after: Any = None


Row = dict[str, Any]


def differences(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[Difference]:
    """From one raw value to the other, in the order of the file."""
    found: list[Difference] = []
    for table in dict.fromkeys((*before, *after)):
        old, new = before.get(table), after.get(table)
        if is_rows(old) or is_rows(new):
            found += _rows(table, "", old or [], new or [])
        elif old is None or new is None:
            found.append(Difference(_what(old, new), table, "", "", old, new))
        elif not same(old, new):
            found += _keys(table, "", "", old, new)
    return found


def _what(old: object, new: object) -> What:
    if old is None:
        return What.ADDED
    return What.REMOVED if new is None else What.CHANGED


def _keys(table: str, name: str, around: str, old: Row, new: Row) -> Iterator[Difference]:
    for key in dict.fromkeys((*old, *new)):
        one, other = old.get(key), new.get(key)
        if same(one, other):
            continue
        if is_rows(one) or is_rows(other):
            yield from _rows(f"{table}.{key}", name, one or [], other or [])
        elif isinstance(one, dict) and isinstance(other, dict):
            yield from _keys(table, name, f"{around}{key}.", one, other)
        else:
            yield Difference(_what(one, other), table, name, f"{around}{key}", one, other)


def _rows(table: str, around: str, old: list[Row], new: list[Row]) -> Iterator[Difference]:
    pairs = _paired(table, old, new)
    came = [n for n in range(len(new)) if n not in pairs.values()]
    named = _namer(table, around)
    for number, row in enumerate(old):
        if number in pairs:
            other = pairs[number]
            yield from _keys(table, named(new[other], other), "", row, new[other])
            continue
        twin = next((n for n in came if _is_renamed(table, row, new[n])), None)
        if twin is not None:
            came.remove(twin)
            yield _renamed(table, named(new[twin], twin), row, new[twin])
        else:
            yield Difference(What.REMOVED, table, named(row, number), "", row, None)
    for number in came:
        yield Difference(What.ADDED, table, named(new[number], number), "", None, new[number])


def _namer(table: str, around: str) -> Callable[[Row, int], str]:
    def named(row: Row, number: int) -> str:
        words = _name(row, _NAMED_BY.get(table, ("id",)))
        own = " to ".join(words) if words is not None else str(number + 1)
        return f"{around}.{own}" if around else own

    return named


_NAMED_BY: Final = {
    "night": ("date",),
    "phase": ("name",),
    "limits.boundary": ("name",),
    "link": ("sensor", "prop"),
}
"""What tells rows without an id apart; the rest by their place among their like."""


def _paired(table: str, old: list[Row], new: list[Row]) -> dict[int, int]:
    """Which row of the old ones is which of the new."""
    keys = _NAMED_BY.get(table, ("id",))
    ours, theirs = ([_name(row, keys) for row in rows] for rows in (old, new))
    are_names = all(len(set(each)) == len(each) and None not in each for each in (ours, theirs))
    if are_names:
        there = {name: number for number, name in enumerate(theirs)}
        return {number: there[name] for number, name in enumerate(ours) if name in there}
    return _paired_by_place(old, new)


def _name(row: Row, keys: tuple[str, ...]) -> tuple[str, ...] | None:
    return tuple(str(row[key]) for key in keys) if all(key in row for key in keys) else None


def _paired_by_place(old: list[Row], new: list[Row]) -> dict[int, int]:
    ours, theirs = ([repr(sorted(row.items())) for row in rows] for rows in (old, new))
    pairs: dict[int, int] = {}
    matcher = SequenceMatcher(None, ours, theirs, autojunk=False)
    for _kind, start, end, first, last in matcher.get_opcodes():
        pairs.update(zip(range(start, end), range(first, last), strict=False))
    return pairs


def _is_renamed(table: str, old: Row, new: Row) -> bool:
    """Whether they differ in nothing but in what names them."""
    key, *more = _NAMED_BY.get(table, ("id",))
    is_named = not more and key in old and key in new
    return is_named and same({**old, key: ""}, {**new, key: ""})


def _renamed(table: str, name: str, old: Row, new: Row) -> Difference:
    key = _NAMED_BY.get(table, ("id",))[0]
    if key == "id":
        return Difference(What.RENAMED, table, name, "", old[key], new[key])
    return Difference(What.CHANGED, table, name, key, old[key], new[key])
