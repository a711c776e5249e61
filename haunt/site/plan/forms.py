"""A row as a form: every field with its texts, its choices, and what is said beside it.

Decides how a row looks on its page; what its texts mean is in `typed.py`.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, TypeAlias

from haunt.site.plan.fields import LISTS, Field, Form, Group, Kind, fields_of, form_of
from haunt.site.plan.sums import Line, Said
from haunt.site.plan.tables import BY_NAME, Table, rows_of
from haunt.site.plan.texts import NO, YES, Typed, cleaned, texts_of
from haunt.site.plan.typed import AROUND
from haunt.workshop.drivers import DRIVERS
from haunt.workshop.pins import CHIPS
from haunt.workshop.regulators import REGULATORS

SUGGESTED: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("board", "model"): tuple(each.name for each in CHIPS),
    ("board", "regulator"): tuple(REGULATORS),
    ("board", "driver"): tuple(DRIVERS),
    ("supply", "kind"): ("dc", "air", "fog"),
}
"""Free words that mean something to the sums; any other word is taken too."""

Texts: TypeAlias = dict[str, list[str]]

NOTHING: Final[Typed] = MappingProxyType({})
BOUNDS_SHOWN_MAX: Final = 3600
KINDS: Final = {
    Kind.NUMBER: "number",
    Kind.WHOLE: "number",
    Kind.SECONDS: "number",
    Kind.RANGE: "range",
    Kind.DATE: "date",
    Kind.YES: "tick",
    Kind.MAYBE: "select",
    Kind.CHOICE: "select",
    Kind.REF: "select",
    Kind.CHOICES: "ticks",
    Kind.REFS: "ticks",
    Kind.LINES: "area",
    Kind.PAIRS: "area",
    Kind.TRACKS: "area",
}


@dataclass(frozen=True, slots=True)
class Option:
    value: str
    word: str
    is_on: bool


@dataclass(frozen=True, slots=True)
class FieldView:
    """`kind` says which control; `was` what somebody else made of it meanwhile."""

    name: str
    kind: str
    label: str
    unit: str
    key: str
    hint: str
    texts: list[str]
    options: list[Option]
    suggested: list[str]
    empty: str
    is_needed: bool
    length: int
    faults: list[str]
    sums: list[Line]
    was: str

    @property
    def id(self) -> str:
        return self.name.replace(".", "-")

    @property
    def is_given(self) -> bool:
        return any(self.texts)


@dataclass(frozen=True, slots=True)
class GroupView:
    """Fields that stand together under a heading, open where there is something to see."""

    name: str
    label: str
    hint: str
    fields: list[FieldView]
    said: list[str]
    is_needed: bool = False

    @property
    def is_open(self) -> bool:
        is_told = any(e.is_given or e.faults or e.sums or e.was for e in self.fields)
        return self.is_needed or bool(self.said) or is_told


@dataclass(frozen=True, slots=True)
class FormView:
    fields: list[FieldView]
    groups: list[GroupView]

    def all(self) -> Iterator[FieldView]:
        yield from self.fields
        for group in self.groups:
            yield from group.fields


class Filling:
    """What a form is filled with: the show around the row, texts, and what is said of them."""

    def __init__(
        self,
        table: Table,
        raw: dict[str, Any],
        value: dict[str, Any],
        typed: Typed,
        said: Said,
        was: Mapping[str, str],
    ) -> None:
        self._table, self._raw, self._value = table, raw, value
        self._typed, self._said, self._was = typed, said, was

    def view(self) -> FormView:
        form = form_of(self._table.name)
        fields = [self._field(each, self._value.get(each.key)) for each in form.fields]
        if self._table.around and not self._value:
            fields.insert(0, self._around())
        groups = [view for each in form.groups for view in self._group(each)]
        if not self._value:
            groups = [*self._first_rows(form), *groups]
        return FormView(fields, groups)

    def _group(self, group: Group) -> Iterator[GroupView]:
        value = self._value.get(group.path[0])
        said = self._said.faults.get(group.name, [])
        if not group.is_many:
            inner = value or {}
            fields = [self._field(each, inner.get(each.key)) for each in group.fields]
            yield GroupView(group.name, group.said.label, group.said.hint, fields, said)
            return
        rows = value or []
        for number in range(self._rows_asked(group, len(rows)) + 1):
            row = rows[number] if number < len(rows) else {}
            fields = [self._field(each, row.get(each.key)) for each in group.numbered(number)]
            label = f"{group.said.label} {number + 1}" if row else f"{group.said.label}, one more"
            hint = "Empty all of it to take it out." if row else group.said.hint
            told = said if number == 0 else []
            yield GroupView(f"{group.name}.{number}", label, hint, fields, told)

    def _rows_asked(self, group: Group, kept: int) -> int:
        """How many rows of a list are filled: kept or typed."""
        number = kept
        while any(any(self._typed.get(each.name, ())) for each in group.numbered(number)):
            number += 1
        return number

    def _first_rows(self, form: Form) -> Iterator[GroupView]:
        """What a new row must bring along."""
        for key in form.within:
            name = f"{self._table.name}.{key}"
            called = BY_NAME[name].called
            fields = [self._field(each, None) for each in fields_of(name, (key, "0"))]
            said = self._said.faults.get(key, [])
            first = f"First {called.one.lower()}"
            yield GroupView(f"{key}.0", first, called.hint, fields, said, is_needed=True)

    def _around(self) -> FieldView:
        table = BY_NAME[self._table.around]
        texts = self._typed.get(AROUND, [""])
        options = [
            Option(each.ref, each.name, each.ref == texts[-1]) for each in rows_of(table, self._raw)
        ]
        one = table.called.one
        return FieldView(
            AROUND, "select", one, "", "", f"Which {one.lower()} it belongs to.", texts, options,
            [], "", True, 0, self._said.faults.get(AROUND, []), [], "",
        )  # fmt: skip

    def _field(self, field: Field, value: Any) -> FieldView:
        texts = texts_of(field, value)
        if field.name in self._typed:
            texts = cleaned(field, self._typed[field.name])
        return FieldView(
            field.name,
            KINDS.get(field.kind, "text"),
            field.said.label,
            field.unit,
            field.key,
            _hint(field),
            texts,
            self._options(field, texts),
            self._suggestions(field),
            field.default,
            field.is_needed,
            field.length,
            self._said.faults.get(field.name, []),
            self._said.sums.get(field.name, []),
            self._was.get(field.name, ""),
        )

    def _options(self, field: Field, texts: list[str]) -> list[Option]:
        if field.kind is Kind.MAYBE:
            choices = {YES: "yes", NO: "no"}
        elif field.kind in {Kind.REF, Kind.REFS}:
            choices = self._ids(field.target)
        else:
            choices = {each: each for each in field.choices}
        if not choices and field.kind not in LISTS:
            return []
        choices |= {each: each for each in texts if each and each not in choices}
        found = [Option(each, word, each in texts) for each, word in choices.items()]
        if field.kind in LISTS:
            return found
        word = field.default and f"{field.default}, if left out"
        return [Option("", word or "not said", not any(texts)), *found]

    def _ids(self, target: str) -> dict[str, str]:
        """Ids with what people call them; an id of several rows stands once.

        Of behaviours those of the row's own prop, once it names one.
        """
        found: dict[str, str] = {}
        prop = self._prop() if target == "prop.behaviour" else ""
        for each in rows_of(BY_NAME[target], self._raw):
            if prop and each.ref.rpartition(".")[0] != prop:
                continue
            own = str(each.value.get("id", ""))
            word = own if each.name == own else f"{own} ({each.name})"
            found[own] = f"{found[own]}, {each.name}" if own in found else word
        return found

    def _prop(self) -> str:
        """The prop that a row of the timetable names, as it is typed; empty while none is."""
        known = str(self._value.get("prop", ""))
        return self._typed.get("prop", [known])[-1]

    def _suggestions(self, field: Field) -> list[str]:
        if field.kind is not Kind.TEXT:
            return []
        if field.target:
            own = [str(each.value["id"]) for each in rows_of(BY_NAME[field.target], self._raw)]
        elif field.key == "view":
            own = [str(e["view"]) for e in self._raw.get(self._table.name, ()) if "view" in e]
        else:
            own = []
        return list(dict.fromkeys([*own, *SUGGESTED.get((self._table.name, field.key), ())]))


def names_of(table: Table, value: dict[str, Any]) -> list[str]:
    """Every field that the row's form has."""
    form = form_of(table.name)
    names = [each.name for each in form.fields]
    for group in form.groups:
        rows = value.get(group.path[0])
        many = range(len(rows or ()) + 1) if group.is_many else ()
        numbered = [field for number in many for field in group.numbered(number)]
        names += [group.name, *(each.name for each in (*group.fields, *numbered))]
    for key in form.within:
        names += [e.name for e in fields_of(f"{table.name}.{key}", (key, "0"))]
    return names


def row_texts(table: Table, value: dict[str, Any], typed: Typed = NOTHING) -> Texts:
    """What a form of the row holds, by the field's name; as typed where it was."""
    view = Filling(table, {}, value, typed, Said(), {}).view()
    return {each.name: each.texts for each in view.all()}


def _hint(field: Field) -> str:
    low, high = field.bounds
    if low and high and float(high) <= BOUNDS_SHOWN_MAX:
        return f"{field.said.hint} {low} to {high}."
    return field.said.hint
