"""The tables of a show file as pages know them, drawn from its models.

Owns names in addresses and what names a row; never holds a list of tables or keys of its own.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, get_args, get_origin, get_type_hints

from pydantic import BaseModel

from haunt.live.errors import CrewMistake
from haunt.site.plan.words import TABLES, Called
from haunt.wire.showlines import Path
from haunt.wire.showmodels import ShowFile

NEW, ONLY = "new", "one"
"""What stands in addresses for a row to come, and for the row of a table that is there once."""
_PLAIN: Final = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True)
class Table:
    """`slug` stands in addresses, `name` in the file (`prop.behaviour` for rows within rows)."""

    slug: str
    name: str
    model: type[BaseModel]
    is_single: bool

    @property
    def called(self) -> Called:
        return TABLES[self.slug]

    @property
    def has_ids(self) -> bool:
        return not self.is_single and "id" in self.model.model_fields

    @property
    def around(self) -> str:
        """The table whose rows hold these rows, in the file's words; empty for most."""
        return self.name.rpartition(".")[0]


def key_of(model: type[BaseModel], attribute: str) -> str:
    """How the file spells it."""
    return model.model_fields[attribute].alias or attribute


def rows_model(annotation: object) -> type[BaseModel] | None:
    """The model of an annotation that holds many of it."""
    if get_origin(annotation) is tuple:
        first = get_args(annotation)[0]
        return first if isinstance(first, type) and issubclass(first, BaseModel) else None
    found = (rows_model(each) for each in get_args(annotation))
    return next((each for each in found if each is not None), None)


def single_model(annotation: object) -> type[BaseModel] | None:
    """The model of an annotation that is one of it, or none."""
    for each in (annotation, *get_args(annotation)):
        if isinstance(each, type) and issubclass(each, BaseModel):
            return each
    return None


def _tables() -> Iterator[Table]:
    for attribute, annotation in get_type_hints(ShowFile, include_extras=True).items():
        if attribute not in ShowFile.model_fields:
            continue
        name, rows = key_of(ShowFile, attribute), rows_model(annotation)
        model = rows or single_model(annotation)
        assert model is not None, f"{attribute} is no table"
        yield Table(attribute if attribute != "info" else name, name, model, rows is None)
        yield from _within(name, model)


def _within(name: str, model: type[BaseModel]) -> Iterator[Table]:
    """Rows that have ids of their own have pages of their own."""
    for attribute, annotation in get_type_hints(model, include_extras=True).items():
        inner = rows_model(annotation)
        if inner is not None and "id" in inner.model_fields:
            yield Table(attribute, f"{name}.{key_of(model, attribute)}", inner, is_single=False)


ALL: Final = {each.slug: each for each in _tables()}
BY_NAME: Final = {each.name: each for each in ALL.values()}


def table_of(word: str) -> Table:
    """By its address or its name in the file. Raises CrewMistake."""
    found = ALL.get(word) or BY_NAME.get(word)
    if found is None:
        raise CrewMistake(f"The plan has no table {word!r}.", about=word, missing=True)
    return found


@dataclass(frozen=True, slots=True)
class Row:
    """One row where it stands. `ref` is its word in addresses, `name` its word for people."""

    table: Table
    path: Path
    value: dict[str, Any]
    ref: str
    name: str

    @property
    def href(self) -> str:
        plain = f"/plan/{self.table.slug}"
        return plain if self.table.is_single else f"{plain}/{self.ref}"

    @property
    def action(self) -> str:
        """Where its form goes."""
        return f"/plan/{self.table.slug}/{self.ref}"

    @property
    def full_id(self) -> str:
        """Its id; that of a behaviour with its prop's before it."""
        around = self.ref.rpartition(".")[0]
        return f"{around}.{self.value['id']}" if around else str(self.value["id"])

    @property
    def title(self) -> str:
        return f"{self.table.called.one} {self.name}".strip()


def rows_of(table: Table, raw: dict[str, Any]) -> list[Row]:
    """In the order of the file; a table that is there once is always there, empty or not."""
    if table.is_single:
        return [Row(table, (table.name,), raw.get(table.name, {}), ONLY, "")]
    if not table.around:
        return [
            _row(table, (table.name, n), each) for n, each in enumerate(raw.get(table.name, ()))
        ]
    key = table.name.rpartition(".")[2]
    return [
        _row(table, (*around.path, key, number), each, around)
        for around in rows_of(BY_NAME[table.around], raw)
        for number, each in enumerate(around.value.get(key, ()))
    ]


def row_or_none(table: Table, raw: dict[str, Any], ref: str) -> Row | None:
    return next((each for each in rows_of(table, raw) if each.ref == ref), None)


def row_of(table: Table, raw: dict[str, Any], ref: str) -> Row:
    """Raises CrewMistake."""
    found = row_or_none(table, raw, ref)
    if found is None:
        what = f"There is no {table.called.one.lower()} {ref!r} in this show."
        raise CrewMistake(what, about=ref, missing=True)
    return found


def row_at(path: Path, raw: dict[str, Any]) -> Row | None:
    """The row that a path of the file leads to or into."""
    for length in range(len(path), 0, -1):
        names = tuple(step for step in path[:length] if isinstance(step, str))
        table = BY_NAME.get(".".join(names))
        is_row = isinstance(path[length - 1], int) or (table is not None and table.is_single)
        if table is not None and is_row:
            return next((e for e in rows_of(table, raw) if e.path == path[:length]), None)
    return None


def _row(table: Table, path: Path, value: dict[str, Any], around: Row | None = None) -> Row:
    number = path[-1]
    assert isinstance(number, int), "rows are counted"
    counted = f"~{number + 1}"
    named = str(value.get("id", ""))
    if not table.has_ids:
        return Row(table, path, value, str(number + 1), _said_of(value) or str(number + 1))
    ref = named if _PLAIN.fullmatch(named) and named != NEW else counted
    if around is not None:
        return Row(table, path, value, f"{around.ref}.{ref}", f"{named} of {around.name}")
    return Row(table, path, value, ref, str(value.get("name", named)))


def _said_of(value: dict[str, Any]) -> str:
    """What people would call a row that has no id."""
    if "sensor" in value and "prop" in value:
        return f"{value['sensor']} to {value['prop']}"
    if "prop" in value:
        return " ".join(str(value[key]) for key in ("prop", "behaviour", "at") if key in value)
    for key in ("name", "date", "kind"):
        if key in value:
            return str(value[key])
    return " to ".join(str(value[key]) for key in ("from", "to") if key in value)
