"""Turns what forms say into changes of the show file, and hands them to the keeper: all, or none.

The one place where pages change a show. Every change goes through the file's own checks; who
changed a row since a form was drawn is never overwritten unseen.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple, Protocol

from haunt.live.errors import CrewMistake
from haunt.site.plan.fields import form_of
from haunt.site.plan.tables import NEW, Row, Table, row_at, row_of, row_or_none, table_of
from haunt.site.plan.texts import Slip, Typed
from haunt.site.plan.typed import AROUND, said_by
from haunt.site.ports import KeptShow, ShowMovedOn
from haunt.wire.forms import is_id
from haunt.wire.showdraft import Draft
from haunt.wire.showedit import copy_prop_in, rename_in, take_with_uses, taken_with
from haunt.wire.showerrors import Fault, ShowFileRefused
from haunt.wire.showfile import ReadShow, read_show
from haunt.wire.showlines import Path
from haunt.wire.showtable import Plain

TRIES: Final = 8
"""How often a change is made anew when somebody else was quicker; a person is slower than that."""
FOR_GOOD: Final = (
    "cannot change: boards and the journal know the show by it",
    "the id as it is; another show has a data folder of its own",
)

Change = Callable[[Draft], Path | None]
"""Steps on a draft; where the row stands afterwards, None where there is none any more."""


class Kept(Protocol):
    """What of `ports.ShowKeeper` is needed to change a show."""

    def kept(self) -> KeptShow: ...
    def put(self, text: str, by: str, on: int | None = None) -> int: ...


class Done(NamedTuple):
    """The newest version, the row as it stands in it, and whether anything had to change."""

    version: int
    row: Row | None
    is_changed: bool = True


class Refused(Exception):  # noqa: N818 - the word says what happened
    """Nothing was changed: the row that was meant, what its texts do not say, what the file says.

    `row` and `raw` are as they would be, for the names that faults use.
    """

    def __init__(
        self,
        raw: dict[str, Any],
        row: Row | None,
        slips: Sequence[Slip] = (),
        faults: Sequence[Fault] = (),
    ) -> None:
        super().__init__("the change was refused")
        self.raw, self.row, self.slips, self.faults = raw, row, slips, faults


class Stale(Exception):  # noqa: N818 - the word says what happened
    """Somebody changed this row since version `on`; `now` is None where it is gone."""

    def __init__(self, on: int, was: Row | None, now: Row | None) -> None:
        super().__init__("the row has changed meanwhile")
        self.on, self.was, self.now = on, was, now


# --- whole changes


def change(keeper: Kept, by: str, steps: Change) -> Done:
    """Make the steps on the newest version. Raises Refused, and what the keeper raises."""
    for left in reversed(range(TRIES)):
        kept = keeper.kept()
        read = read_show(kept.text, "show")
        made = drafted(read, steps)
        if made.text == read.text:
            return Done(kept.version, made.row, is_changed=False)
        try:
            return Done(keeper.put(made.text, by, kept.version), made.row)
        except ShowMovedOn:
            if not left:
                raise
    raise AssertionError("the last try returns or raises")


class Made(NamedTuple):
    """A show after a change that nobody took yet."""

    read: ReadShow
    row: Row | None

    @property
    def text(self) -> str:
        return self.read.text


def drafted(read: ReadShow, steps: Change) -> Made:
    """Make the steps and check the result. Raises Refused."""
    draft = Draft(read)
    path = steps(draft)
    row = row_at(path, draft.raw) if path is not None else None
    try:
        return Made(draft.read(), row)
    except ShowFileRefused as refused:
        raise Refused(draft.raw, row, (), refused.faults) from refused


# --- what forms ask for


def saving(table: Table, ref: str, typed: Typed) -> Change:
    """What a form asks for: a new row where `ref` is `new`, else what differs from the row."""

    def steps(draft: Draft) -> Path | None:
        if ref == NEW:
            return _add(draft, table, typed)
        row = row_of(table, draft.raw, ref)
        values, slips = said_by(table, row.value, typed)
        if table.name == "show" and "id" in values:
            slips.append(Slip(form_of(table.name).fields[0], *FOR_GOOD))
        if slips:
            raise Refused(draft.raw, row, slips)
        new = values.get("id")
        if isinstance(new, str) and (is_id(new) or not _is_strict(table)):
            rename_in(draft, row.path, new)
        draft.put(row.path, values)
        if table.is_single and draft.at(row.path) == {}:
            draft.remove(row.path)
        return row.path

    return steps


def _is_strict(table: Table) -> bool:
    """Whether ids of this table are words of the wire; names of parts are free."""
    return "pattern" in table.model.model_json_schema()["properties"]["id"]


def _add(draft: Draft, table: Table, typed: Typed) -> Path:
    values, slips = said_by(table, {}, typed)
    array: Path = (table.name,)
    if table.around:
        *_, key = table.name.split(".")
        around = row_of(table_of(table.around), draft.raw, typed.get(AROUND, [""])[-1])
        array = (*around.path, key)
    path = draft.add(array, values)
    if slips:
        raise Refused(draft.raw, row_at(path, draft.raw), slips)
    return path


def removing(table: Table, ref: str, *, with_uses: bool = False) -> Change:
    """Take a row out; `with_uses` all that makes no sense without it, too."""

    def steps(draft: Draft) -> None:
        path = row_of(table, draft.raw, ref).path
        if with_uses:
            take_with_uses(draft, path)
        elif draft.at(path) is not None:
            draft.remove(path)

    return steps


def copying(
    table: Table, ref: str, values: Mapping[str, str], *, with_links: bool = False
) -> Change:
    """Repeat a row under another id; a prop's behaviours come along, its links where asked for."""

    def steps(draft: Draft) -> Path | None:
        row = row_of(table, draft.raw, ref)
        given: dict[str, Plain] = {key: each.strip() or None for key, each in values.items()}
        if table.has_ids and given.get("id") is None:
            raise CrewMistake("The copy needs an id of its own.", about="id")
        if table.name == "prop":
            return copy_prop_in(draft, row.path, given, with_links=with_links)
        return draft.copy(row.path, given)

    return steps


def uses_with(read: ReadShow, table: Table, ref: str) -> list[Row]:
    """The rows that would go with a row."""
    draft = Draft(read)
    path = row_of(table, draft.raw, ref).path
    return [row for each in taken_with(draft.raw, path) if (row := row_at(each, draft.raw))]


# --- somebody was quicker


def unless_changed(
    keeper: Kept, was_text: str | None, table: Table, ref: str, on: int | None
) -> None:
    """Raise Stale where the row is not as it was in the version that a form was drawn from.

    `was_text` is that version; None where nobody has it any more.
    """
    kept = keeper.kept()
    if on is None or on == kept.version or ref == NEW:
        return
    now = row_in(kept.text, table, ref)
    was = row_in(was_text, table, ref) if was_text is not None else None
    if was is None or now is None or was.value != now.value:
        raise Stale(on, was, now)


def row_in(text: str, table: Table, ref: str) -> Row | None:
    """The row in a text; None where there is none, or the text is no show any more."""
    try:
        return row_or_none(table, read_show(text, "show").raw, ref)
    except ShowFileRefused:
        return None
