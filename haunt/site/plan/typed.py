"""What the texts of a form say of a row: only what differs from the row as it is."""

import re
from typing import Any, Final, NamedTuple

from haunt.site.plan.fields import Field, Group, fields_of, form_of
from haunt.site.plan.tables import Table
from haunt.site.plan.texts import Slip, Typed, cleaned, texts_of, value_of
from haunt.wire.showtable import Plain

AROUND: Final = "within"
"""The field that names the row in which a new row is to stand."""

ROWS_MAX: Final = 200


class SaidBy(NamedTuple):
    """Keys with their new values, None to take one out; and what cannot be read."""

    values: dict[str, Plain]
    slips: list[Slip]


def said_by(table: Table, value: dict[str, Any], typed: Typed) -> SaidBy:
    """Fields that are not in the form keep what they have."""
    form, slips = form_of(table.name), list[Slip]()
    values = _said(form.fields, value, typed, slips)
    for group in form.groups:
        old = value.get(group.path[0])
        new = _many if group.is_many else _one
        came = new(group, old, typed, slips)
        if (came or None) != (old or None):
            values[group.path[0]] = came or None
    for key in form.within if not value else ():
        rows: list[Plain] = [
            dict(row)
            for number in _numbers(key, typed)
            if (row := _row(fields_of(f"{table.name}.{key}", (key, str(number))), {}, typed, slips))
        ]
        values |= {key: rows} if rows else {}
    return SaidBy(values, slips)


def _said(
    fields: tuple[Field, ...], value: dict[str, Any], typed: Typed, slips: list[Slip]
) -> dict[str, Plain]:
    found: dict[str, Plain] = {}
    for field in fields:
        if field.name not in typed:
            continue
        texts = cleaned(field, typed[field.name])
        if texts == cleaned(field, texts_of(field, value.get(field.key))):
            continue
        try:
            found[field.key] = value_of(field, texts)
        except Slip as slip:
            slips.append(slip)
    return found


def _row(
    fields: tuple[Field, ...], old: dict[str, Any], typed: Typed, slips: list[Slip]
) -> dict[str, Plain]:
    """The whole row as it is to be."""
    row = {**old, **_said(fields, old, typed, slips)}
    return {key: each for key, each in row.items() if each is not None}


def _one(group: Group, old: Any, typed: Typed, slips: list[Slip]) -> Plain:
    return _row(group.fields, old or {}, typed, slips)


def _many(group: Group, old: Any, typed: Typed, slips: list[Slip]) -> Plain:
    """Those that were emptied are gone; new ones come after."""
    rows, numbers = old or [], _numbers(group.name, typed)
    found: list[Plain] = []
    for number in range(max([len(rows), *(each + 1 for each in numbers)])):
        row = rows[number] if number < len(rows) else {}
        found.append(_row(group.numbered(number), row, typed, slips))
    return [each for each in found if each]


def _numbers(name: str, typed: Typed) -> list[int]:
    """Which of a list the form holds fields of."""
    pattern = re.compile(rf"{re.escape(name)}\.([0-9]{{1,4}})\.")
    found = {int(match[1]) for each in typed if (match := pattern.match(each))}
    return sorted(each for each in found if each < ROWS_MAX)
