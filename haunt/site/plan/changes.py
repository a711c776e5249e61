"""Differences between two versions of a show as sentences; values with their units."""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from pydantic import BaseModel

from haunt.site.plan.tables import BY_NAME, key_of, rows_model, single_model
from haunt.site.plan.words import WORDS, unit_of
from haunt.wire.showdiff import Difference, What, differences

VALUE_CHARS_MAX: Final = 80
NOTHING: Final = "left out"
CHANGED: Final = "changed"


class Change(NamedTuple):
    """One line; `kind` is added, removed or changed, `sign` says the same as a character."""

    kind: str
    sign: str
    said: str


SIGNS: Final = {
    What.ADDED: ("added", "+"),
    What.REMOVED: ("removed", "-"),
    What.CHANGED: (CHANGED, "±"),
    What.RENAMED: (CHANGED, "±"),
}


def changes(before: dict[str, Any], after: dict[str, Any]) -> list[Change]:
    return [_change(each) for each in differences(before, after)]


def only_looks(before: dict[str, Any], after: dict[str, Any]) -> str:
    """What to say of two texts that say the same."""
    if before == after:
        return "Only comments or the layout differ."
    return "Only the order of rows differs."


def renames(before: dict[str, Any], after: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    """(table, old name, new name) of what was called otherwise; of a behaviour with its prop's."""
    for each in differences(before, after):
        if each.what is What.RENAMED:
            around = each.name.rpartition(".")[0]
            prefix = f"{around}." if around else ""
            yield each.table, f"{prefix}{each.before}", f"{prefix}{each.after}"


def _change(of: Difference) -> Change:
    kind, sign = SIGNS[of.what]
    return Change(kind, sign, f"{_row_words(of)}{_said(of)}")


def _row_words(of: Difference) -> str:
    table, name = BY_NAME.get(of.table), of.name
    if table is None:  # a list within a table that is there once
        *outer, key = of.table.split(".")
        around = BY_NAME[".".join(outer)]
        return f"{around.called.one}, {_label(around.model, key)} {name}"
    if table.around and "." in name:
        around_name, own = name.split(".", 1)
        name = f"{own} of {around_name}"
    return f"{table.called.one} {name}".strip()


def _said(of: Difference) -> str:
    if of.what is What.RENAMED:
        return f" was called {of.before}"
    if not of.key:
        row = of.after if of.what is What.ADDED else of.before
        return f": {_facts(of.table, row)}" if isinstance(row, dict) else ""
    model, label = _model_of(of.table), ""
    for key in of.key.split("."):
        label += f"{', ' if label else ''}{_label(model, key)}"
        model = _inner(model, key) or model
    unit = unit_of(of.key.rpartition(".")[2])
    before, after = (value_text(each, unit, model) for each in (of.before, of.after))
    return f": {label} {after}" if of.before is None else f": {label} {before} → {after}"


def _facts(table: str, row: dict[str, Any]) -> str:
    """A row in short: its plain values."""
    model = _model_of(table)
    plain = [(k, v) for k, v in row.items() if not isinstance(v, dict | list) and k != "id"]
    return ", ".join(f"{_label(model, k)} {value_text(v, unit_of(k))}" for k, v in plain[:4])


def value_text(value: Any, unit: str = "", model: type[BaseModel] | None = None) -> str:
    """`model` is that of a value with keys."""
    if value is None:
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        named = [(_label(model, k) if model else k, k, v) for k, v in value.items()]
        text = ", ".join(f"{label} {value_text(v, unit_of(k))}" for label, k, v in named)
    elif isinstance(value, list):
        text = ", ".join(value_text(each) for each in value) or "none"
    else:
        text = str(value).removesuffix(".0") if isinstance(value, float) else str(value)
    clipped = text if len(text) <= VALUE_CHARS_MAX else f"{text[:VALUE_CHARS_MAX]}…"
    return f"{clipped} {unit}" if unit and not isinstance(value, dict) else clipped


def _model_of(table: str) -> type[BaseModel]:
    found = BY_NAME.get(table)
    if found is not None:
        return found.model
    outer, _, key = table.rpartition(".")
    inner = _inner(BY_NAME[outer].model, key)
    assert inner is not None, f"{table} is no table"
    return inner


def _inner(model: type[BaseModel], key: str) -> type[BaseModel] | None:
    for attribute, info in model.model_fields.items():
        if key_of(model, attribute) == key:
            return rows_model(info.annotation) or single_model(info.annotation)
    return None


def _label(model: type[BaseModel], key: str) -> str:
    found = WORDS.get(model, {}).get(key)
    return found.label if found is not None else key
