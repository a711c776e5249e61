"""Several settings of the show changed at once: one version of the file, or nothing."""

from collections.abc import Sequence

from haunt.live.errors import CrewMistake
from haunt.site.plan import edits
from haunt.site.ports import ShowKeeper
from haunt.site.workports import Value
from haunt.wire.showdraft import Draft
from haunt.wire.showedit import path_of
from haunt.wire.showerrors import NoSuchTable, ShowFileRefused


def change(keeper: ShowKeeper, values: Sequence[Value], by: str) -> int:
    """Return the newest version's number. Raises ShowFileRefused and CrewMistake.

    Somebody else may change the show in between: then theirs stays, and ours goes on top of it.
    """

    def steps(draft: Draft) -> None:
        for each in values:
            path = path_of(draft.raw, each.table, each.name)
            draft.put(path, {each.key: plain(each.value)})

    try:
        return edits.change(keeper, by, steps).version
    except edits.Refused as refused:
        raise ShowFileRefused(refused.faults) from refused
    except NoSuchTable as fault:
        raise CrewMistake(str(fault), missing=True) from fault


def plain(value: float | None) -> float | int | None:
    """Write 25 where a person would, not 25.0."""
    return int(value) if value is not None and value % 1 == 0 else value
