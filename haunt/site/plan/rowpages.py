"""Draws the pages of one table and of one row, as they are or as somebody typed them."""

from collections.abc import Mapping
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

from fastapi import Request
from fastapi.responses import HTMLResponse

from haunt.live.errors import CrewMistake
from haunt.site.plan.desk import Desk
from haunt.site.plan.edits import Refused, Stale, drafted, row_in, saving, uses_with
from haunt.site.plan.forms import NOTHING, Filling, FormView, names_of, row_texts
from haunt.site.plan.sums import Said, faults_of, said_of, sums_of
from haunt.site.plan.tables import BY_NAME, NEW, ONLY, Row, Table, row_at, row_of, rows_of
from haunt.site.plan.texts import Typed
from haunt.store.notes import Note
from haunt.wire.showfile import ReadShow

NOTED: Final = ("prop", "board")
"""Tables whose rows have notes on what was mended."""
FOLLOWED: Final = (*NOTED, "prop.behaviour")
"""Rows that something outside the show file is kept about: notes, and lines that were judged."""
LIKE: Final = "like"
"""In the query of a new row: the row that it begins as."""
NOBODY: Final = "Somebody"
LOOKED_BACK_MAX: Final = 12
QUICKER: Final = (
    "%s changed this while you had it open. Nothing of yours was saved. Look at the values that "
    "are marked, and save again to keep what you see."
)


class Shown(NamedTuple):
    """A row's page before it is drawn: what is typed and said, and what somebody else did.

    `aside` is what was typed beside the form, for a copy.
    """

    typed: Typed = NOTHING
    said: Said = Said()
    status: int = 200
    trouble: str = ""
    was: Mapping[str, str] = MappingProxyType({})
    aside: Typed = NOTHING


class RowPages:
    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def table(self, request: Request, table: Table, saved: int | None) -> HTMLResponse:
        if table.is_single:
            return self.row(request, table, ONLY, saved)
        kept, read = self._desk.now()
        return self._desk.page(
            request,
            "plan_table.html",
            table=table,
            rows=rows_of(table, read.raw),
            flash=self._desk.flash(saved, f"/plan/{table.slug}"),
            on=kept.version,
        )

    def row(
        self,
        request: Request,
        table: Table,
        ref: str,
        saved: int | None = None,
        shown: Shown | None = None,
    ) -> HTMLResponse:
        """Without `shown` as it is kept, with what the sums say."""
        kept, read = self._desk.now()
        row = row_of(table, read.raw, ref)
        if shown is None:
            book = self._desk.shows.book(read)
            shown = Shown(said=sums_of(row, read, book, None, names_of(table, row.value)))
        return self._desk.page(
            request,
            "plan_row.html",
            shown.status,
            **self.parts(table, read, row, shown),
            flash=self._desk.flash(saved, row.href, f"/plan/{table.slug}"),
            on=kept.version,
            uses=uses_with(read, table, ref),
            notes=self._notes(row),
            today=self.today(),
            free_id=shown.aside.get("id", [_free_id(table, read, row)])[-1],
            free_name=shown.aside.get("name", [""])[-1],
        )

    def new(self, request: Request, table: Table, shown: Shown) -> HTMLResponse:
        if table.is_single:
            raise CrewMistake(f"{table.called.one} is there once.", about=table.slug)
        kept, read = self._desk.now()
        if shown.typed.get(LIKE):
            other = row_of(table, read.raw, shown.typed[LIKE][-1])
            shown = shown._replace(typed={**row_texts(table, other.value), **shown.typed})
        return self._desk.page(
            request,
            "plan_row.html",
            shown.status,
            **self.parts(table, read, None, shown),
            on=kept.version,
            uses=[],
            notes=None,
            today="",
            free_id="",
            free_name="",
        )

    def parts(
        self, table: Table, read: ReadShow, row: Row | None, shown: Shown
    ) -> dict[str, object]:
        """What the form and what is said beside it are drawn with."""
        value = row.value if row is not None else {}
        form = Filling(table, read.raw, value, shown.typed, shown.said, shown.was).view()
        return {
            "table": table,
            "row": row,
            "action": row.action if row is not None else f"/plan/{table.slug}/{NEW}",
            "fields": form,
            "said": shown.said,
            "listed": _listed(form, shown.said),
            "trouble": shown.trouble,
            "inner": _inner(table, read, row),
            "around": row_at(row.path[:-2], read.raw) if row is not None and table.around else None,
        }

    def stale(
        self, request: Request, table: Table, ref: str, typed: Typed, stale: Stale
    ) -> HTMLResponse:
        """Show both values; what the other did and this one left alone is taken over."""
        by = self._who(table, ref, stale)
        if stale.now is None:
            trouble = f"{by} removed or renamed it meanwhile. Save adds it as a new row."
            return self.new(request, table, Shown(typed, status=409, trouble=trouble))
        value = stale.was.value if stale.was is not None else {}
        was, now = row_texts(table, value), row_texts(table, stale.now.value)
        mine = row_texts(table, value, typed)
        merged, beside = dict(typed), dict[str, str]()
        for name, texts in now.items():
            if stale.was is not None and texts != was.get(name) == mine.get(name):
                merged[name] = texts
                beside[name] = f"{by} changed it; it was {_shown(was.get(name))}."
            elif texts != mine.get(name) and (stale.was is None or texts != was.get(name)):
                beside[name] = f"{by} made it {_shown(texts)}; yours is in the field."
        said = self.weighed(table, ref, merged)
        return self.row(request, table, ref, None, Shown(merged, said, 409, QUICKER % by, beside))

    def quicker(self, table: Table, ref: str, stale: Stale) -> str:
        """What to say where nothing was typed. Raises CrewMistake where the row is gone."""
        by = self._who(table, ref, stale)
        if stale.now is None:
            what = f"{by} removed or renamed it meanwhile."
            raise CrewMistake(what, about=ref, missing=True)
        return f"{by} changed this while you had it open. Look at it, and do it again."

    def _who(self, table: Table, ref: str, stale: Stale) -> str:
        """Who changed the row last: not always who changed the show last."""
        versions = self._desk.shelf.versions(LOOKED_BACK_MAX)
        for newer, older in pairwise(versions):
            now, was = (row_in(each.text, table, ref) for each in (newer, older))
            is_same = now is not None and was is not None and now.value == was.value
            if older.version >= stale.on and not is_same:
                return newer.by
        return NOBODY

    def weighed(self, table: Table, ref: str, typed: Typed, *, is_live: bool = False) -> Said:
        """What faults and sums there would be with what is typed."""
        _, read = self._desk.now()
        row = row_of(table, read.raw, ref) if ref != NEW else None
        names = names_of(table, row.value if row is not None else {})
        try:
            return said_of(drafted(read, saving(table, ref, typed)), read, self._desk.shows, names)
        except Refused as refused:
            return faults_of(refused, names, is_live=is_live)

    def today(self) -> str:
        """The date where the show is."""
        return self._desk.pages.now().date().isoformat()

    def _notes(self, row: Row) -> list[Note] | None:
        if row.table.name not in NOTED:
            return None
        return self._desk.notes.notes(row.table.name, str(row.value["id"]))


def _shown(texts: list[str] | None) -> str:
    return ", ".join(each for each in texts or () if each) or "empty"


def _listed(form: FormView, said: Said) -> list[tuple[str, str, str]]:
    """Every fault with where it leads to: address, label, words."""
    fields = {each.name: each for each in form.all()}
    groups = {each.name: each.label for each in form.groups}
    found = []
    for name, faults in said.faults.items():
        at = fields.get(name)
        label = at.label if at is not None else groups.get(name, "")
        found += [(f"#{at.id}" if at is not None else "", label, each) for each in faults]
    return found + [(each.href, each.title, each.why) for each in said.faults_elsewhere]


def _inner(table: Table, read: ReadShow, row: Row | None) -> list[tuple[Table, list[Row]]]:
    """Tables whose rows belong to this row."""
    if row is None:
        return []
    length = len(row.path)
    return [
        (each, [e for e in rows_of(each, read.raw) if e.path[:length] == row.path])
        for each in BY_NAME.values()
        if each.around == table.name
    ]


def _free_id(table: Table, read: ReadShow, row: Row) -> str:
    """An id for a copy that nobody has."""
    if not table.has_ids:
        return ""
    taken = {str(each.value["id"]) for each in rows_of(table, read.raw)}
    own = str(row.value["id"])[:29]
    return next(name for n in range(2, len(taken) + 3) if (name := f"{own}-{n}") not in taken)
