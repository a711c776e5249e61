"""One table's text by the round-trip parser: keys set with as little change as can be.

Knows nothing of the rest of the file; never sees a table whose rows stand apart.
"""

from collections.abc import Mapping
from datetime import date
from difflib import SequenceMatcher
from typing import Any, Final, TypeAlias

import tomlkit
from tomlkit.items import Item

from haunt.wire.showlines import Path

Plain: TypeAlias = "bool | int | float | str | date | list[Plain] | dict[str, Plain] | None"
Values: TypeAlias = Mapping[str, Plain]

MARK: Final = "\ufeff"


def changed(text: str, path: Path, key: str | int, value: Plain) -> str:
    """Return the text with one key of the table at `path` set; None takes it out."""
    mark = MARK if text.startswith(MARK) else ""
    document = tomlkit.parse(text.removeprefix(MARK))
    node: Any = document
    for step in path:
        node = node[step]
    if value is None:
        del node[key]
    else:
        _settle(node, key, value)
    return mark + tomlkit.dumps(document)


def fresh_row(names: tuple[str, ...], row: Values) -> str:
    """A row under a header, and what it holds many of under headers of their own."""
    plain = {key: each for key, each in row.items() if not is_rows(each)}
    parts = [f"[[{'.'.join(names)}]]\n{_pairs(plain)}"]
    for key, rows in row.items():
        if is_rows(rows):
            assert isinstance(rows, list)
            parts += [fresh_row((*names, key), each) for each in rows if isinstance(each, dict)]
    return "\n".join(parts)


def fresh_table(name: str, values: Values) -> str:
    return f"[{name}]\n{_pairs(values)}"


def given(values: Values) -> dict[str, Plain]:
    return {key: value for key, value in values.items() if value is not None}


def same(one: object, other: object) -> bool:
    """Equal, and written alike: 3 and 3.0 and true are three different things in a file."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    return type(one) is type(other) and one == other


def is_rows(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(e, dict) for e in value)


def _pairs(values: Values) -> str:
    return tomlkit.dumps({key: _item(value) for key, value in given(values).items()})


def _settle(node: Any, key: str | int, value: Plain) -> None:
    """Set a key of a table or an item of a list; go inside where both sides have the same shape."""
    is_there = key in node if isinstance(key, str) else key < len(node)
    old = node[key] if is_there else None
    if isinstance(value, dict) and isinstance(old, dict):
        for gone in [each for each in old if each not in value]:
            del old[gone]
        for inner, each in value.items():
            _settle(old, inner, each)
    elif isinstance(value, list) and isinstance(old, list):
        _settle_list(old, value)
    elif not is_there and isinstance(key, int):
        node.append(_item(value))
    elif not same(_unwrapped(old), value):
        node[key] = _item(value)


def _settle_list(node: Any, wanted: list[Plain]) -> None:
    """Put in, take out and change items from the end, so that those before keep their place."""
    before = [repr(_unwrapped(each)) for each in node]
    matcher = SequenceMatcher(None, before, [repr(each) for each in wanted], autojunk=False)
    for kind, start, end, first, last in reversed(matcher.get_opcodes()):
        if kind == "equal":
            continue
        shared = min(end - start, last - first)
        for number in reversed(range(start + shared, end)):
            del node[number]
        for number in range(first + shared, last):
            node.insert(start + number - first, _item(wanted[number]))
        for number in range(shared):
            _settle(node, start + number, wanted[first + number])


def _unwrapped(value: Any) -> Any:
    return value.unwrap() if isinstance(value, Item) else value


def _item(value: Plain) -> Item:
    if isinstance(value, list):
        array = tomlkit.array()
        for each in value:
            array.append(_item(each))
        return array.multiline(len(value) > 1 and is_rows(value))
    if not isinstance(value, dict):
        return tomlkit.item(value)
    inline = tomlkit.inline_table()
    inline.update({key: _item(inner) for key, inner in given(value).items()})
    return inline
