"""Puts things of the map somewhere else, through the one place that changes a show, and back."""

from collections import OrderedDict
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from haunt.live.errors import CrewMistake
from haunt.site.changes import plain
from haunt.site.map.digits import METRE_DIGITS, metres
from haunt.site.plan.edits import Kept, Refused, change, drafted
from haunt.site.ports import ShowMovedOn
from haunt.study.places import Kind, Spot
from haunt.wire.showdraft import Draft
from haunt.wire.showedit import path_of
from haunt.wire.showerrors import NoSuchTable
from haunt.wire.showfile import read_show
from haunt.wire.showlines import Path
from haunt.wire.showtable import Plain

KEPT_MAX: Final = 32


class Move(NamedTuple):
    """Where a thing is to stand; None: nowhere of its own.

    `was` is where whoever moves it saw it, as `place_words` says it; None: wherever it is.
    """

    kind: Kind
    key: str
    at: Spot | None
    was: str | None = None


class Moved(NamedTuple):
    """The version that came of it, and how many things stand elsewhere now."""

    version: int
    things: int


class Mover:
    """Remembers where things stood before the last moves, so that each can be taken back."""

    def __init__(self, keeper: Kept) -> None:
        self._keeper = keeper
        self._before: OrderedDict[int, tuple[Move, ...]] = OrderedDict()

    def move(self, moves: Sequence[Move], by: str) -> Moved:
        """Make all moves or none, on top of what others changed. Raises CrewMistake."""
        before: list[Move] = []

        def steps(draft: Draft) -> None:
            before[:] = [_put(draft, each) for each in moves if _differs(draft, each)]

        try:
            done = change(self._keeper, by, steps)
        except Refused as refused:
            raise CrewMistake("; ".join(map(str, refused.faults))) from refused
        if before:
            self._before[done.version] = tuple(before)
            while len(self._before) > KEPT_MAX:
                self._before.popitem(last=False)
        return Moved(done.version, len(before))

    def can_undo(self, version: int) -> bool:
        return version in self._before and version == self._keeper.kept().version

    def undo(self, version: int, by: str) -> Moved:
        """Put back what a version moved, if nothing was changed since."""
        before = self._before.get(version)
        kept = self._keeper.kept()
        if before is None:
            raise CrewMistake("Where it stood before is not known any more.", missing=True)
        if version != kept.version:
            raise ShowMovedOn(kept.version)

        def steps(draft: Draft) -> None:
            for each in before:
                _put(draft, each)

        made = drafted(read_show(kept.text, "show"), steps)
        return Moved(self._keeper.put(made.text, by, version), len(before))


def _put(draft: Draft, move: Move) -> Move:
    """Make one move and return the one that takes it back."""
    path = _path(draft.raw, move.kind, move.key)
    stood = _spot(draft.at(path))
    if move.was is not None and move.was != place_words(stood):
        raise CrewMistake(
            f"somebody else has moved {move.kind} {move.key} meanwhile: look at it again",
            about=move.key,
        )
    before = Move(move.kind, move.key, stood)
    if move.kind is Kind.SCARE and move.at is None:
        draft.put(path[:-1], {"scare_spot": None})
        return before
    x_m, y_m = move.at or (None, None)
    values: dict[str, Plain] = {"x_m": _metres(x_m), "y_m": _metres(y_m)}
    draft.put(path, values)
    return before


def _differs(draft: Draft, move: Move) -> bool:
    now = _spot(draft.at(_path(draft.raw, move.kind, move.key)))
    if now is None or move.at is None:
        return now is not move.at
    return any(abs(a - b) >= 0.5 * 10**-METRE_DIGITS for a, b in zip(now, move.at, strict=True))


def _path(raw: Mapping[str, Any], kind: Kind, key: str) -> Path:
    try:
        match kind:
            case Kind.SCARE:
                return (*path_of(raw, "prop", key), "scare_spot")
            case Kind.BOUNDARY:
                return path_of(raw, "limits.boundary", int(key) if key.isdigit() else 0)
            case Kind.HAZARD:
                return path_of(raw, "hazard", int(key) if key.isdigit() else 0)
            case _:
                return path_of(raw, kind, key)
    except NoSuchTable as fault:
        raise CrewMistake(f"There is no {kind} {key!r} on the map.", missing=True) from fault


def _spot(row: object) -> Spot | None:
    if not isinstance(row, dict) or row.get("x_m") is None or row.get("y_m") is None:
        return None
    return float(row["x_m"]), float(row["y_m"])


def place_words(spot: Spot | None) -> str:
    """`9,-2.5`, as the fields of the form show it; a comma alone is no place."""
    if spot is None:
        return ","
    return ",".join(metres(each) for each in spot)


def _metres(value: float | None) -> float | int | None:
    return plain(None if value is None else round(value, METRE_DIGITS))
