"""Several settings of the show changed at once: one version of the file, or nothing."""

from collections.abc import Sequence
from typing import Final

from haunt.live.errors import CrewMistake
from haunt.site.ports import ShowKeeper, ShowMovedOn, ShowRefused
from haunt.site.workports import Value
from haunt.wire.showedit import set_values
from haunt.wire.showerrors import NoSuchTable, ShowFileRefused
from haunt.wire.showfile import read_show

TRIES: Final = 5


def change(keeper: ShowKeeper, values: Sequence[Value], by: str) -> int:
    """Return the new version's number. Raises ShowRefused and CrewMistake.

    Somebody else may change the show in between: then theirs stays, and ours goes on top of it.
    """
    for _ in range(TRIES):
        kept = keeper.kept()
        try:
            return keeper.put(_with(kept.text, values), by, on=kept.version)
        except ShowMovedOn as moved:
            last = moved
    raise last


def _with(text: str, values: Sequence[Value]) -> str:
    read = read_show(text, "show")
    try:
        for each in values:
            read = set_values(read, each.table, each.name, {each.key: _plain(each.value)})
    except ShowFileRefused as refused:
        raise ShowRefused(refused.faults) from refused
    except NoSuchTable as fault:
        raise CrewMistake(str(fault), missing=True) from fault
    return read.text


def _plain(value: float | None) -> float | int | None:
    """Write 25 where a person would, not 25.0."""
    return int(value) if value is not None and value % 1 == 0 else value
