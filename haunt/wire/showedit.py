"""Changing a show file by rows: settings, new rows, copies, renames, with every comment kept.

The result is read again, so that a change is checked like a file; all of it, or nothing.
"""

from collections.abc import Mapping
from typing import Any, Final, TypeAlias

from haunt.wire.showdraft import Draft
from haunt.wire.showerrors import NoSuchTable
from haunt.wire.showfile import ReadShow
from haunt.wire.showlines import Path
from haunt.wire.showrefs import Reference, behaviour_uses_of, uses_of
from haunt.wire.showtable import Plain

__all__ = [
    "Name",
    "Plain",
    "add_row",
    "copy_prop",
    "copy_row",
    "path_of",
    "remove_row",
    "rename",
    "set_value",
    "set_values",
]

Name: TypeAlias = str | int | None

ALONE: Final = "alone"
"""The key of a prop that names the one of its behaviours that it plays without a controller."""
SINGLE_TABLES: Final = frozenset({"show", "stagger", "limits", "traffic"})


def set_value(read: ReadShow, table: str, name: Name, key: str, value: Plain) -> ReadShow:
    """Change one setting, see `set_values`."""
    return set_values(read, table, name, {key: value})


def set_values(read: ReadShow, table: str, name: Name, values: Mapping[str, Plain]) -> ReadShow:
    """Change settings of one table at once; None takes a key out.

    `name` is the id ("gatekeeper", for a `prop.behaviour` "gatekeeper.growl"), the number of a row
    without an id (from 1), or None for a table that is there once. Raises NoSuchTable, and
    ShowFileRefused where the show would not be valid afterwards; `read` itself never changes.
    """
    draft = Draft(read)
    draft.put(path_of(read.raw, table, name), values)
    return draft.read()


def add_row(read: ReadShow, table: str, around: Name, values: Mapping[str, Plain]) -> ReadShow:
    """Add a row after the last of its kind; `around` names the prop of a `prop.behaviour`."""
    draft = Draft(read)
    draft.add(array_of(read.raw, table, around), values)
    return draft.read()


def remove_row(read: ReadShow, table: str, name: Name, *, with_uses: bool = False) -> ReadShow:
    """Take a row or a table out, with the comments right above it.

    `with_uses` also takes out what names it: rows that make no sense without it, else the key.
    """
    draft = Draft(read)
    path = path_of(read.raw, table, name)
    if with_uses:
        take_with_uses(draft, path)
    else:
        draft.remove(path)
    return draft.read()


def copy_row(read: ReadShow, table: str, name: Name, values: Mapping[str, Plain]) -> ReadShow:
    """Repeat a row right after itself, with other values, its new id among them."""
    draft = Draft(read)
    draft.copy(path_of(read.raw, table, name), values)
    return draft.read()


def copy_prop(
    read: ReadShow, prop: str, values: Mapping[str, Plain], *, with_links: bool = False
) -> ReadShow:
    """Repeat a prop and its behaviours under a new id; with its links, each after its own."""
    draft = Draft(read)
    copy_prop_in(draft, path_of(read.raw, "prop", prop), values, with_links=with_links)
    return draft.read()


def rename(read: ReadShow, table: str, name: str, new: str) -> ReadShow:
    """Give a row another id, everywhere. Raises like `set_values`."""
    draft = Draft(read)
    rename_in(draft, path_of(read.raw, table, name), new)
    return draft.read()


# --- steps on a draft, for changes that consist of several


def copy_prop_in(
    draft: Draft, path: Path, values: Mapping[str, Plain], *, with_links: bool
) -> Path:
    old, fresh = draft.at(path)["id"], draft.copy(path, values)
    links = draft.raw.get("link", []) if with_links else []
    for number in reversed([n for n, each in enumerate(links) if each["prop"] == old]):
        draft.copy(("link", number), {"prop": values["id"]})
    return fresh


def rename_in(draft: Draft, path: Path, new: str) -> None:
    table = ".".join(step for step in path if isinstance(step, str))
    old = draft.at(path)["id"]
    if table == "prop.behaviour":
        for each in list(behaviour_uses_of(draft.raw, draft.at(path[:2])["id"], old)):
            draft.put(each, {"behaviour": new})
        if draft.at(path[:2]).get(ALONE) == old:
            draft.put(path[:2], {ALONE: new})
    for reference, place in list(uses_of(draft.raw, table, old)):
        value = draft.at(place)[reference.key]
        if isinstance(value, list):
            draft.put(place, {reference.key: [new if each == old else each for each in value]})
        else:
            draft.put(place, {reference.key: new})
    draft.put(path, {"id": new})


def take_with_uses(draft: Draft, path: Path) -> None:
    """Take a row out, and all that only makes sense with it; others only lose its name."""
    gone = [path, *taken_with(draft.raw, path)]
    named = [(str(e[0]), draft.at(e)["id"]) for e in gone if len(e) == 2 and "id" in draft.at(e)]
    for table, name in named:
        for reference, place in list(uses_of(draft.raw, table, name)):
            if place not in gone:
                draft.put(place, _without(draft.at(place), reference, name))
    if len(path) > 2 and path[-2] == "behaviour":
        name, prop = draft.at(path)["id"], draft.at(path[:2])["id"]
        for place in behaviour_uses_of(draft.raw, prop, name):
            draft.put(place, {"behaviour": None})
        if draft.at(path[:2]).get(ALONE) == name:
            draft.put(path[:2], {ALONE: None})
    for each in sorted(gone, key=lambda each: (str(each[0]), each[1:]), reverse=True):
        draft.remove(each)


def _without(row: dict[str, Any], reference: Reference, name: str) -> dict[str, Plain]:
    value = row[reference.key]
    if isinstance(value, list):
        return {reference.key: [each for each in value if each != name] or None}
    gone: dict[str, Plain] = {reference.key: None}
    return gone | ({reference.goes_with: None} if reference.goes_with else {})


def taken_with(raw: Mapping[str, Any], path: Path) -> list[Path]:
    """The rows that make no sense without this one, and those without them."""
    found: list[Path] = []
    waiting = [path]
    while waiting:
        at = waiting.pop()
        row = raw[str(at[0])][at[1]] if len(at) == 2 else {}
        for reference, place in uses_of(raw, str(at[0]), row["id"]) if "id" in row else ():
            if reference.is_needed and place not in found:
                found.append(place)
                waiting.append(place)
    return found


def path_of(raw: Mapping[str, Any], table: str, name: Name) -> Path:
    """Where a table stands. Raises NoSuchTable."""
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


def array_of(raw: Mapping[str, Any], table: str, around: Name) -> Path:
    """Where rows of this kind stand. Raises NoSuchTable."""
    *outer, last = table.split(".")
    return (*path_of(raw, ".".join(outer), around), last) if outer else (last,)


def _index(rows: list[Any], name: str | int) -> int | None:
    if isinstance(name, int):
        return name - 1 if 1 <= name <= len(rows) else None
    return next((index for index, row in enumerate(rows) if row.get("id") == name), None)
