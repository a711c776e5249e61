"""A show that begins with nothing, and its first things: one board, sensor, prop and link at once.

Owns what is assumed where a person says nothing; every value is a row of the file to be changed.
"""

import re
import unicodedata
from datetime import date
from typing import Final, NamedTuple

from haunt.wire.forms import RESERVED
from haunt.wire.showdraft import Draft
from haunt.wire.showlines import Path
from haunt.wire.showtable import Plain

ID_MAX: Final = 24
"""Leaves room for `-pir` and a number within the 32 of an id."""
WARM_UP_S: Final = {"pir": 40}
"""A PIR sees ghosts after power-on: data sheets of common modules say up to a minute."""
BLOCK_S: Final = 5
"""One group, one motion. Common practice, no source."""


class Thing(NamedTuple):
    """What a person says of a prop: all of it has a default but the name."""

    name: str
    sensor: str = "pir"
    duration_s: float = 5
    cooldown_s: float = 20
    place: str = ""
    board: str = ""
    sensor_pin: int | None = None
    prop_pin: int | None = None


def empty_show(time_zone: str) -> str:
    """The text of a show that plays nothing yet."""
    return (
        "# Begun on the page. Whatever is left out is not checked.\n\n"
        f'[show]\nid = "garden"\ntime_zone = "{time_zone}"\n\n'
        "# Neighbours within five metres start four seconds apart.\n"
        "[stagger]\nradius_m = 5\ngap_s = 4\n"
    )


def add_thing(draft: Draft, thing: Thing) -> Path:
    """Add the prop with what makes it play; return its path. `board` names one that is there.

    Pins are named by the ids of what hangs on them.
    """
    taken = set(RESERVED) | {
        str(row["id"])
        for table in ("board", "sensor", "prop")
        for row in draft.at((table,)) or ()
        if "id" in row
    }
    prop = _free(_slug(thing.name), taken)
    board = thing.board or prop
    place: dict[str, Plain] = {"place": thing.place or None}
    if not thing.board:
        draft.add(("board",), {"id": board, **place})
    sensor = _free(f"{prop}-{thing.sensor}", taken)
    _wire(draft, board, {sensor: thing.sensor_pin, prop: thing.prop_pin})
    draft.add(
        ("sensor",),
        {
            "id": sensor,
            "board": board,
            "kind": thing.sensor,
            **place,
            "warm_up_s": WARM_UP_S.get(thing.sensor),
            "block_s": BLOCK_S,
        },
    )
    path = draft.add(
        ("prop",),
        {
            "id": prop,
            "board": board,
            "name": thing.name,
            **place,
            "cooldown_s": thing.cooldown_s,
            "behaviour": [{"id": "act", "duration_s": thing.duration_s}],
        },
    )
    draft.add(("link",), {"sensor": sensor, "prop": prop})
    return path


def _wire(draft: Draft, board: str, pins: dict[str, int | None]) -> None:
    told: dict[str, Plain] = {name: pin for name, pin in pins.items() if pin is not None}
    for number, row in enumerate(draft.at(("board",)) or ()):
        if told and row["id"] == board:
            draft.put(("board", number), {"pins": {**row.get("pins", {}), **told}})


def open_on(draft: Draft, day: date, opens: str, closes: str) -> None:
    """Give a date its hours, in place of those that it has."""
    values: dict[str, Plain] = {"date": day, "opens": opens, "closes": closes}
    for number, row in enumerate(draft.at(("night",)) or ()):
        if row.get("date") == day:
            draft.put(("night", number), values)
            return
    draft.add(("night",), values)


def _slug(name: str) -> str:
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:ID_MAX].strip("-") or "prop"


def _free(wanted: str, taken: set[str]) -> str:
    if wanted not in taken:
        return wanted
    return next(each for n in range(2, len(taken) + 3) if (each := f"{wanted}-{n}") not in taken)
