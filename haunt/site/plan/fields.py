"""The fields of a form, drawn from the models of the show file: kind, bounds, choices, words.

Owns no list of keys; what a model gains, its form gains, or a test says what is missing.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum, auto
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel

from haunt.site.plan.tables import BY_NAME, key_of, rows_model, single_model
from haunt.site.plan.words import Said, said, unit_of
from haunt.wire import showtypes as t
from haunt.wire.showrefs import PARTS, REFERENCES

NAME_PARTS: Final = "."


class Kind(Enum):
    """How a value is typed in; `LINES`, `PAIRS` and `TRACKS` are one a line."""

    TEXT = auto()
    NUMBER = auto()
    WHOLE = auto()
    SECONDS = auto()
    RANGE = auto()
    TIME = auto()
    DATE = auto()
    YES = auto()
    MAYBE = auto()
    CHOICE = auto()
    CHOICES = auto()
    REF = auto()
    REFS = auto()
    LINES = auto()
    PAIRS = auto()
    TRACKS = auto()


LISTS: Final = frozenset({Kind.CHOICES, Kind.REFS})
"""Ticked rather than typed."""


@dataclass(frozen=True, slots=True)
class Field:
    """`path` leads from the row to the key; `default` is what an empty field means, as text.

    `target` is the table that it names rows of; `bounds` are least and most, as text.
    """

    path: tuple[str, ...]
    kind: Kind
    said: Said
    is_needed: bool = False
    default: str = ""
    choices: tuple[str, ...] = ()
    target: str = ""
    bounds: tuple[str, str] = ("", "")
    length: int = 0

    @property
    def name(self) -> str:
        return NAME_PARTS.join(self.path)

    @property
    def key(self) -> str:
        return self.path[-1]

    @property
    def unit(self) -> str:
        return unit_of(self.key)


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that stand or fall together; `is_many`: a list of such."""

    path: tuple[str, ...]
    said: Said
    is_many: bool
    model: type[BaseModel]
    fields: tuple[Field, ...] = ()

    @property
    def name(self) -> str:
        return NAME_PARTS.join(self.path)

    def numbered(self, number: int) -> tuple[Field, ...]:
        """The fields of one of the list."""
        return tuple(_fields_of(self.model, (*self.path, str(number)), ""))


@dataclass(frozen=True, slots=True)
class Form:
    """All that a row can say; `within` are keys whose rows have forms of their own."""

    fields: tuple[Field, ...]
    groups: tuple[Group, ...]
    within: tuple[str, ...]


@cache
def form_of(name: str) -> Form:
    """The form of a table, by its name in the file."""
    model = BY_NAME[name].model
    groups, within = [], []
    for attribute, annotation in _annotations(model):
        key, many = key_of(model, attribute), rows_model(annotation)
        inner = many or single_model(annotation)
        if many is not None and f"{name}.{key}" in BY_NAME:
            within.append(key)
        elif inner is not None:
            own = () if many is not None else tuple(_fields_of(inner, (key,), ""))
            groups.append(Group((key,), said(model, key), many is not None, inner, own))
    return Form(tuple(_fields_of(model, (), name)), tuple(groups), tuple(within))


@cache
def fields_of(name: str, around: tuple[str, ...] = ()) -> tuple[Field, ...]:
    """The plain fields of a table's row, named as if they stood within another row."""
    return tuple(_fields_of(BY_NAME[name].model, around, name))


def _annotations(model: type[BaseModel]) -> Iterator[tuple[str, Any]]:
    hints = get_type_hints(model, include_extras=True)
    return ((name, hints[name]) for name in model.model_fields)


def _fields_of(model: type[BaseModel], around: tuple[str, ...], name: str) -> Iterator[Field]:
    schema = model.model_json_schema(by_alias=True)
    for attribute, annotation in _annotations(model):
        if rows_model(annotation) is None and single_model(annotation) is None:
            key, info = key_of(model, attribute), model.model_fields[attribute]
            kind = _REFS.get((name, key)) or kind_of(annotation)
            found = _schema_of(schema, key)
            yield Field(
                (*around, key),
                kind,
                said(model, key),
                info.is_required(),
                "" if info.is_required() else _default(kind, info.default),
                _choices(annotation),
                _TARGETS.get((name, key), ""),
                (_bound(found, "minimum", "exclusiveMinimum"), _bound(found, "maximum")),
                int(found.get("maxLength", 0)),
            )


_TARGETS: Final = {
    **{(each.table, each.key): each.target for each in (*REFERENCES, *PARTS)},
    ("timetable", "behaviour"): "prop.behaviour",
}
_REFS: Final = {
    **{(each.table, each.key): Kind.REF for each in REFERENCES},
    ("sensor", "sees"): Kind.REFS,
    ("timetable", "behaviour"): Kind.REF,
}
"""Parts are not among them: a name may also be one that the workshop knows."""

_KINDS: Final = (
    (t.Ms, Kind.SECONDS),
    (t.SomeMs, Kind.SECONDS),
    (t.PlayMs, Kind.SECONDS),
    (t.MsRange, Kind.RANGE),
    (t.Time, Kind.TIME),
    (t.Date, Kind.DATE),
)
"""Types whose spelling in the file is not their own."""


def kind_of(annotation: Any) -> Kind:
    """How values of this type are typed in. Raises TypeError for one that nobody foresaw."""
    alternatives = _alternatives(annotation)
    plain = [each for each in alternatives if each is not NoneType]
    for wanted, kind in _KINDS:
        if plain == [wanted]:
            return kind
    shapes = tuple(get_origin(_bare(each)) or _bare(each) for each in plain)
    if shapes == (bool,):
        return Kind.MAYBE if len(plain) < len(alternatives) else Kind.YES
    if shapes == (tuple,):
        return Kind.CHOICES if _choices(annotation) else Kind.LINES
    if shapes not in _SHAPES:
        raise TypeError(f"no field is known for {annotation}")
    return _SHAPES[shapes]


_SHAPES: Final[dict[tuple[Any, ...], Kind]] = {
    (str,): Kind.TEXT,
    (int,): Kind.WHOLE,
    (float,): Kind.NUMBER,
    (Literal,): Kind.CHOICE,
    (dict,): Kind.PAIRS,
    (tuple, dict): Kind.TRACKS,
}


def _alternatives(annotation: Any) -> tuple[Any, ...]:
    bare = _bare(annotation)
    return get_args(bare) if get_origin(bare) in {Union, UnionType} else (annotation,)


def _bare(annotation: Any) -> Any:
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    return annotation


def _choices(annotation: Any) -> tuple[str, ...]:
    """The words of a Literal, anywhere within."""
    if get_origin(annotation) is Literal:
        return tuple(str(each) for each in get_args(annotation))
    if get_origin(annotation) is dict or annotation is Ellipsis:
        return ()
    found = [_choices(each) for each in get_args(annotation) if not isinstance(each, str)]
    return next((each for each in found if each), ())


def _default(kind: Kind, default: Any) -> str:
    if not default and default != 0:
        return ""
    if kind is Kind.SECONDS:
        return f"{default / 1000:g}" if default else ""
    if kind is Kind.TIME:
        return t.time_text(default)
    if kind is Kind.YES:
        return ""
    return f"{default:g}" if isinstance(default, float) else str(default)


def _schema_of(schema: dict[str, Any], key: str) -> dict[str, Any]:
    """What the JSON schema says of a key."""
    found: dict[str, Any] = schema["properties"][key]
    for each in found.get("anyOf", ()):
        if each.get("type") != "null":
            return {**found, **each}
    return found


def _bound(schema: dict[str, Any], *names: str) -> str:
    return next((f"{schema[name]:g}" for name in names if name in schema), "")
