"""Changing single settings in the text of a show file, with every comment and blank line kept.

Only the table that changes goes through the round-trip parser: on whole shows it is slow, and it
gathers arrays of tables that stand apart. The result is read again, so that a change is checked
like a file.
"""

from collections.abc import Mapping
from typing import Any, Final, TypeAlias

import tomlkit
from tomlkit.items import Item

from haunt.wire.showerrors import Fault, NoSuchTable, ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showlines import Path

Plain: TypeAlias = "bool | int | float | str | list[Plain] | dict[str, Plain] | None"

SINGLE_TABLES: Final = frozenset({"show", "stagger", "limits"})


def set_value(
    read: ReadShow, table: str, name: str | int | None, key: str, value: Plain
) -> ReadShow:
    """Change one setting, see `set_values`."""
    return set_values(read, table, name, {key: value})


def set_values(
    read: ReadShow, table: str, name: str | int | None, values: Mapping[str, Plain]
) -> ReadShow:
    """Change settings of one table at once; None takes a key out.

    `name` is the id ("gatekeeper", for a `prop.behaviour` "gatekeeper.growl"), the number of a row
    without an id (from 1), or None for a table that is there once. Raises NoSuchTable, and
    ShowFileRefused where the show would not be valid afterwards; `read` itself never changes.
    """
    path = _path(read.raw, table, name)
    changed = read_show(_changed_text(read, path, values), read.file)
    assert changed.raw == _with(read.raw, path, values), "a change reached beyond its table"
    return changed


def _path(raw: Mapping[str, Any], table: str, name: str | int | None) -> Path:
    if table in SINGLE_TABLES:
        return (table,)
    node: Any = raw
    path: Path = ()
    names = [name] if isinstance(name, int) else str(name).split(".")
    for step in table.split("."):
        rows: Any = node.get(step) if isinstance(node, dict) else None
        if isinstance(rows, dict):
            node, path = rows, (*path, step)
            continue
        index = _index(rows, names.pop(0)) if isinstance(rows, list) and names else None
        if index is None:
            raise NoSuchTable(table, name)
        node, path = rows[index], (*path, step, index)
    if names:
        raise NoSuchTable(table, name)
    return path


def _index(rows: list[Any], name: str | int) -> int | None:
    if isinstance(name, int):
        return name - 1 if 1 <= name <= len(rows) else None
    return next((index for index, row in enumerate(rows) if row.get("id") == name), None)


def _changed_text(read: ReadShow, path: Path, values: Mapping[str, Plain]) -> str:
    offsets, text = read.places.offsets, read.text
    if path not in offsets:
        gap = "\n" if text.endswith("\n") else "\n\n"
        return f"{text}{gap}{_fresh(path, values)}"
    start, end = read.places.tables.get(path, (0, 0))
    if not all(start <= offsets.get((*path, key), start) < end for key in values):
        end = 0  # a key of this table has a header of its own elsewhere
    if end == 0:
        return _changed_whole(read, path, values)
    body, tail = _without_tail(text[start:end])
    names = tuple(step for step in path if isinstance(step, str))
    inner: Path = (*names, 0) if isinstance(path[-1], int) else names
    return f"{text[:start]}{_changed(body, inner, values)}{tail}{text[end:]}"


def _changed_whole(read: ReadShow, path: Path, values: Mapping[str, Plain]) -> str:
    if tomlkit.dumps(read.document) != read.text.removeprefix("\ufeff"):
        what = "has no header of its own here, and the rest of the file would be moved"
        allowed = "a change by hand, or the table under a header of its own"
        line = read.places.line_of(path)
        raise ShowFileRefused([Fault(read.file, line, str(path[0]), what, allowed)])
    return _changed(read.text, path, values)


def _without_tail(part: str) -> tuple[str, str]:
    """Cut off the blank lines and comments that lead to the next table: new keys go before."""
    lines = part.split("\n")
    kept = len(lines)
    while kept > 1 and lines[kept - 1].lstrip()[:1] in ("", "#"):
        kept -= 1
    return "\n".join(lines[:kept]) + "\n", "\n".join(lines[kept:])


def _changed(text: str, path: Path, values: Mapping[str, Plain]) -> str:
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    document = tomlkit.parse(text.removeprefix(mark))
    node: Any = document
    for step in path:
        node = node[step]
    for key, value in values.items():
        if value is not None:
            node[key] = _item(value)
        elif key in node:
            del node[key]
    return mark + tomlkit.dumps(document)


def _fresh(path: Path, values: Mapping[str, Plain]) -> str:
    given = {key: _item(value) for key, value in values.items() if value is not None}
    return tomlkit.dumps({str(path[0]): given})


def _item(value: Plain) -> Item:
    if not isinstance(value, dict):
        return tomlkit.item(value)
    inline = tomlkit.inline_table()
    inline.update({key: _item(inner) for key, inner in value.items()})
    return inline


def _with(node: Any, path: Path, values: Mapping[str, Plain]) -> Any:
    """The same raw value with the change made, for comparison."""
    if not path:
        kept = {key: value for key, value in node.items() if key not in values}
        return kept | {key: value for key, value in values.items() if value is not None}
    step = path[0]
    if isinstance(node, list):
        return [
            _with(row, path[1:], values) if index == step else row for index, row in enumerate(node)
        ]
    return {**node, step: _with(node.get(step, {}), path[1:], values)}
