"""One pool of lines: what people made of each, beside what the show file says. Values only.

The show file is what is said; rows are what was judged. A row that is `pending` is newer than the
file, any other follows it: a line that somebody took out of the file counts as struck.
"""

from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import Final, NamedTuple

from haunt.wire.saying import Spoken, line_id, read_line, write_line
from haunt.wire.showmodels import ShowFile

FROM_FILE: Final = "show file"
IMPORT: Final = "import"


class State(StrEnum):
    NEW = "new"
    KEPT = "kept"
    STRUCK = "struck"


class PoolLine(NamedTuple):
    """One line; `intensity` None is that of its behaviour, `name` that of its words for ever.

    `by` and `at_ms` are of the last judgement, or of how it came. `pending`: the show file does
    not follow yet.
    """

    prop: str
    behaviour: str
    name: str
    text: str
    intensity: int | None
    state: State
    source: str
    at_ms: int
    by: str
    pending: bool = False


def behaviours(file: ShowFile) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    """Yield prop, behaviour and what the show file says there, for every pool of a show."""
    for prop in file.props:
        for each in prop.behaviours:
            yield prop.id, each.id, each.lines


def standing(
    prop: str, behaviour: str, entries: Sequence[str], rows: Sequence[PoolLine]
) -> list[PoolLine]:
    """Return every line of a pool as it stands: those of the file alone first."""
    said = {line_id(each.text): each for each in map(read_line, entries)}
    known = {each.name for each in rows}
    found = [
        PoolLine(prop, behaviour, name, each.text, each.intensity, _state(each), FROM_FILE, 0, "")
        for name, each in said.items()
        if name not in known
    ]
    return [*found, *(_standing(row, said.get(row.name)) for row in rows)]


def _standing(row: PoolLine, spoken: Spoken | None) -> PoolLine:
    if row.pending:
        return row
    if spoken is not None:
        return row._replace(state=_state(spoken), intensity=spoken.intensity)
    return row._replace(state=State.STRUCK) if row.state is State.KEPT else row


def _state(spoken: Spoken) -> State:
    return State.NEW if spoken.unheard else State.KEPT


def followed(entries: Sequence[str], rows: Sequence[PoolLine], *, gibberish: bool) -> list[str]:
    """Return what the show file is to say after these judgements; all else stays as it is."""
    wanted = {row.name: _entry(row, gibberish=gibberish) for row in rows}
    there = [line_id(read_line(each).text) for each in entries]
    kept = [
        entry
        for name, old in zip(there, entries, strict=True)
        if (entry := wanted.get(name, old)) is not None
    ]
    return [*kept, *_fresh(wanted, there)]


def _fresh(wanted: dict[str, str | None], there: Sequence[str]) -> Iterator[str]:
    return (each for name, each in wanted.items() if each is not None and name not in there)


def _entry(row: PoolLine, *, gibberish: bool) -> str | None:
    if row.state is State.KEPT:
        return write_line(Spoken(row.text, row.intensity))
    if row.state is State.NEW and gibberish:
        return write_line(Spoken(row.text, row.intensity, unheard=True))
    return None
