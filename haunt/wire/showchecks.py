"""Faults between keys: ids that nobody has, ids twice, keys that need each other.

Works on the raw tables, so that one mistyped number does not hide a broken reference elsewhere;
what is not even a table or a text is left to the models.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import date
from difflib import get_close_matches
from typing import Final, NamedTuple, TypeAlias

from haunt.wire.forms import CONTROLLER, is_id
from haunt.wire.showlines import Path
from haunt.wire.showrefs import REFERENCES
from haunt.wire.words import clipped, shown

Table: TypeAlias = dict[str, object]
NAMES_LISTED_MAX: Final = 8
EVERY_S_MIN: Final = 60
"""A row's cue is named by its minute; the board plays one name once."""


class Unknown(NamedTuple):
    """A name that nobody has. The nearest is looked for late: it costs, and few are shown."""

    name: str
    known: Mapping[str, object]
    kind: str

    def allowed(self, *, look_for_nearest: bool) -> str:
        if not self.known:
            return f"the id of a {self.kind}, of which there is none"
        if look_for_nearest:
            near = get_close_matches(self.name, self.known, n=1)
            if near:
                return f"a known {self.kind}; the nearest is {near[0]}"
        listed = ", ".join(sorted(self.known)[:NAMES_LISTED_MAX])
        rest = len(self.known) - NAMES_LISTED_MAX
        return f"a known {self.kind}: {listed}{f' and {rest} more' if rest > 0 else ''}"


class Finding(NamedTuple):
    path: Path
    what: str
    allowed: str | Unknown


class _Row(NamedTuple):
    path: Path
    table: Table

    def text(self, key: str) -> str | None:
        value = self.table.get(key)
        return value if isinstance(value, str) else None

    def number(self, key: str) -> float | None:
        value = self.table.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool):
            return value
        return None

    def has(self, key: str) -> bool:
        return self.table.get(key) is not None

    def rows(self, key: str) -> list["_Row"]:
        return list(_rows(self.path, self.table, key))


def findings(raw: Table) -> Iterator[Finding]:
    for check in _CHECKS:
        yield from check(raw)


def _rows(path: Path, table: Table, key: str) -> Iterator[_Row]:
    value = table.get(key)
    if isinstance(value, list | tuple):
        for index, row in enumerate(value):
            if isinstance(row, dict):
                yield _Row((*path, key, index), row)
    elif isinstance(value, dict):
        yield _Row((*path, key), value)


def _all(raw: Table, key: str) -> list[_Row]:
    return list(_rows((), raw, key))


def _ids(rows: list[_Row]) -> dict[str, None]:
    names = (row.text("id") for row in rows)
    return dict.fromkeys(name for name in names if name is not None and is_id(name))


def _quoted(name: str | None) -> str:
    return clipped(ascii(name))


def _ids_once(raw: Table) -> Iterator[Finding]:
    for key in ("circuit", "supply", "board", "sensor", "prop"):
        yield from _once(_all(raw, key), "id", key)
    for prop in _all(raw, "prop"):
        yield from _once(prop.rows("behaviour"), "id", "behaviour of this prop")
    yield from _once(_all(raw, "night"), "date", "night")


def _once(rows: list[_Row], key: str, kind: str) -> Iterator[Finding]:
    seen: set[str] = set()
    for row in rows:
        value = row.table.get(key)
        if not isinstance(value, str | date):
            continue
        name = str(value)
        if name in seen:
            what = f"is {_quoted(name)} again"
            yield Finding((*row.path, key), what, f"each {kind} once")
        seen.add(name)


def _board_is_not_the_controller(raw: Table) -> Iterator[Finding]:
    for show in _all(raw, "show"):
        taken = f"{show.text('id')}-{CONTROLLER}"
        for board in _all(raw, "board"):
            if board.text("id") == taken:
                yield Finding(
                    (*board.path, "id"),
                    f"is {taken!r}, the name under which the controller signs in",
                    "any other id",
                )


def _references(raw: Table) -> Iterator[Finding]:
    for table, key, target, *_ in REFERENCES:
        known = _ids(_all(raw, target))
        for row in _all(raw, table):
            value = row.table.get(key)
            if isinstance(value, list | tuple):
                for index, name in enumerate(value):
                    yield from _leads_to((*row.path, key, index), name, known, target)
            else:
                yield from _leads_to((*row.path, key), value, known, target)


def _leads_to(
    path: Path, name: object, known: Mapping[str, object], kind: str
) -> Iterator[Finding]:
    if isinstance(name, str) and is_id(name) and name not in known:
        what = f"is {name!r}, but no {kind} is called so"
        yield Finding(path, what, Unknown(name, known, kind))


def _timetable(raw: Table) -> Iterator[Finding]:
    behaviours = {
        name: _ids(prop.rows("behaviour"))
        for prop in _all(raw, "prop")
        if (name := prop.text("id")) is not None
    }
    for row in _all(raw, "timetable"):
        prop = row.text("prop")
        if prop in behaviours:
            yield from _leads_to(
                (*row.path, "behaviour"),
                row.table.get("behaviour"),
                behaviours[prop],
                f"behaviour of {_quoted(prop)}",
            )
        if row.has("at") == row.has("every_s"):
            what = "has both at and every_s" if row.has("at") else "has neither at nor every_s"
            yield Finding(row.path, what, "one of at = HH:MM and every_s = [min, max]")
        every = row.table.get("every_s")
        if isinstance(every, list | tuple) and len(every) == 2 and _falls(every[0], every[1]):
            yield Finding((*row.path, "every_s"), "goes down", "[min, max] with min <= max")
        elif isinstance(every, list | tuple) and len(every) == 2 and _falls(EVERY_S_MIN, every[0]):
            allowed = f"at least {EVERY_S_MIN} s: a row fires at most once a minute"
            yield Finding((*row.path, "every_s", 0), f"is {every[0]} s", allowed)


def _falls(low: object, high: object) -> bool:
    return isinstance(low, int | float) and isinstance(high, int | float) and low > high


def _props(raw: Table) -> Iterator[Finding]:
    for prop in _all(raw, "prop"):
        behaviours = prop.rows("behaviour")
        if not behaviours:
            yield Finding(prop.path, "has no behaviour", "at least one [[prop.behaviour]]")
        if behaviours and all(row.number("weight") == 0 for row in behaviours):
            yield Finding(
                (*behaviours[0].path, "weight"),
                "is 0, as are all weights of this prop",
                "a weight above 0 for at least one behaviour",
            )
        yield from _alone(prop, behaviours)
        for row in behaviours:
            motor_on, duration = row.number("motor_on_s"), row.number("duration_s")
            if motor_on is not None and duration is not None and motor_on > duration > 0:
                most = f"at most duration_s, {shown(duration)}"
                yield Finding((*row.path, "motor_on_s"), f"is {shown(motor_on)}", most)


def _alone(prop: _Row, behaviours: list[_Row]) -> Iterator[Finding]:
    """What a board plays without a controller is light and sound of a prop that can hurt nobody."""
    name, path = prop.table.get("alone"), (*prop.path, "alone")
    if name is None:
        return
    yield from _leads_to(path, name, _ids(behaviours), f"behaviour of {_quoted(prop.text('id'))}")
    if prop.table.get("arm_by_hand") is True:
        yield Finding(path, "is of a prop that is armed by hand", "no key: it waits for a person")
    for row in behaviours:
        if row.text("id") == name and row.number("motor_on_s"):
            yield Finding(path, f"is {name}, which runs a motor", "a behaviour of light and sound")


def _power(raw: Table) -> Iterator[Finding]:
    for board in _all(raw, "board"):
        if board.has("supply") and board.has("battery"):
            yield Finding((*board.path, "battery"), "stands beside supply", "one of the two")


def _links(raw: Table) -> Iterator[Finding]:
    seen: set[tuple[str, str]] = set()
    for link in _all(raw, "link"):
        for key, other in (("after", "within_s"), ("within_s", "after")):
            if link.has(key) and not link.has(other):
                yield Finding((*link.path, key), f"stands without {other}", "both or neither")
        sensor, prop = link.text("sensor"), link.text("prop")
        if sensor is None or prop is None:
            continue
        if sensor == link.text("after"):
            yield Finding((*link.path, "after"), "is the sensor itself", "another sensor")
        if (sensor, prop) in seen:
            what = f"links {_quoted(sensor)} to {_quoted(prop)} again"
            yield Finding(link.path, what, "each pair of sensor and prop once")
        seen.add((sensor, prop))


def _place_on_earth(raw: Table) -> Iterator[Finding]:
    for show in _all(raw, "show"):
        for key, other in (("latitude", "longitude"), ("longitude", "latitude")):
            if show.has(key) and not show.has(other):
                yield Finding((*show.path, key), f"stands without {other}", "both or neither")
        if show.has("latitude") or show.has("longitude"):
            return
    for kind, keys in (
        ("night", ("opens", "closes")),
        ("phase", ("from", "to")),
        ("quiet", ("from", "to")),
        ("timetable", ("at", "from", "to")),
    ):
        for row in _all(raw, kind):
            for key in keys:
                if (row.text(key) or "").startswith("sunset"):
                    yield Finding(
                        (*row.path, key),
                        f"is {_quoted(row.text(key))}, but the show has no place on earth",
                        "a sunset only with latitude and longitude in [show]",
                    )


_CHECKS: Final[tuple[Callable[[Table], Iterator[Finding]], ...]] = (
    _ids_once,
    _board_is_not_the_controller,
    _references,
    _timetable,
    _props,
    _power,
    _links,
    _place_on_earth,
)
