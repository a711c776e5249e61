"""What people do with tables and rows: look, type, check, save, copy, remove."""

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.site.actions import is_htmx
from haunt.site.asking import told
from haunt.site.plan.desk import Desk, Saved, TypedForm, version_of
from haunt.site.plan.edits import (
    Change,
    Refused,
    Stale,
    copying,
    removing,
    saving,
    unless_changed,
)
from haunt.site.plan.forms import names_of
from haunt.site.plan.rowpages import FOLLOWED, RowPages, Shown
from haunt.site.plan.sums import faults_of
from haunt.site.plan.tables import NEW, Row, Table, row_of, row_or_none, table_of
from haunt.site.plan.texts import Typed


def routes(desk: Desk) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    pages, acts = RowPages(desk), RowActs(desk)

    @router.get("/plan/{table}")
    def one_table(request: Request, table: str, saved: Saved = None) -> Response:
        return pages.table(request, table_of(table), saved)

    @router.get("/plan/{table}/{row}")
    def one_row(request: Request, table: str, row: str, saved: Saved = None) -> Response:
        """Show a row, or an empty form that the query fills: `new?board=gate`, `new?like=3`."""
        if row != NEW:
            return pages.row(request, table_of(table), row, saved)
        query = request.query_params
        return pages.new(request, table_of(table), Shown({e: query.getlist(e) for e in query}))

    @router.post("/plan/{table}/{row}/check")
    def check(request: Request, table: str, row: str, typed: TypedForm) -> Response:
        """Say what the sums make of what is typed; nothing is kept."""
        return acts.check(request, table_of(table), row, typed)

    @router.post("/plan/{table}/{row}")
    def save(request: Request, table: str, row: str, typed: TypedForm) -> Response:
        return acts.save(request, table_of(table), row, typed)

    @router.post("/plan/{table}/{row}/copy")
    def copy(request: Request, table: str, row: str, typed: TypedForm) -> Response:
        given = {key: typed[key][-1] for key in ("id", "name") if key in typed}
        steps = copying(table_of(table), row, given, with_links="with_links" in typed)
        return acts.beside(request, table_of(table), row, typed, steps)

    @router.post("/plan/{table}/{row}/remove")
    def remove(request: Request, table: str, row: str, typed: TypedForm) -> Response:
        steps = removing(table_of(table), row, with_uses="with_uses" in typed)
        return acts.beside(request, table_of(table), row, typed, steps)

    return router


class RowActs:
    """Checks and changes, each answered by a page of the row or by the way to one."""

    def __init__(self, desk: Desk) -> None:
        self._desk, self._pages = desk, RowPages(desk)

    def check(self, request: Request, table: Table, ref: str, typed: Typed) -> Response:
        _, read = self._desk.now()
        said = self._pages.weighed(table, ref, typed, is_live=is_htmx(request))
        shown = Shown(typed, said)
        if not is_htmx(request):
            return self._again(request, table, ref, shown)
        row = row_of(table, read.raw, ref) if ref != NEW else None
        parts = self._pages.parts(table, read, row, shown)
        return self._desk.pages.part("_plan_said.html", **parts)

    def save(self, request: Request, table: Table, ref: str, typed: Typed) -> Response:
        was = row_or_none(table, self._desk.now()[1].raw, ref)
        try:
            return self._taken(request, table, ref, version_of(typed), saving(table, ref, typed))
        except Stale as stale:
            return self._pages.stale(request, table, ref, typed, stale)
        except Refused as refused:
            names = names_of(table, was.value if was is not None else {})
            shown = Shown(typed, faults_of(refused, names), 422)
            return self._again(request, table, ref, shown)

    def beside(
        self, request: Request, table: Table, ref: str, typed: Typed, steps: Change
    ) -> Response:
        """Copy or remove: what is refused is said on the row's page, with the row as it is."""
        try:
            return self._taken(request, table, ref, version_of(typed), steps)
        except Stale as stale:
            trouble = self._pages.quicker(table, ref, stale)
            return self._pages.row(request, table, ref, None, Shown(status=409, trouble=trouble))
        except Refused as refused:
            refused.row = None  # the row on the page is not the one that was meant
            shown = Shown(said=faults_of(refused, ()), status=422, aside=typed)
            return self._pages.row(request, table, ref, None, shown)

    def _taken(
        self, request: Request, table: Table, ref: str, on: int | None, steps: Change
    ) -> Response:
        was = row_or_none(table, self._desk.now()[1].raw, ref)
        unless_changed(self._desk.keeper, self._text_of(on), table, ref, on)
        done = self._desk.change(request, steps)
        self._follow(was, done.row)
        told(request, about=_about(was, done.row, table))
        href = done.row.href if done.row is not None else f"/plan/{table.slug}"
        return RedirectResponse(f"{href}?saved={done.version if done.is_changed else 0}", 303)

    def _again(self, request: Request, table: Table, ref: str, shown: Shown) -> Response:
        if ref == NEW:
            return self._pages.new(request, table, shown)
        return self._pages.row(request, table, ref, None, shown)

    def _text_of(self, on: int | None) -> str | None:
        """The show as it was when the form was drawn; the newest needs no look."""
        if on is None or on == self._desk.keeper.kept().version:
            return None
        found = self._desk.shelf.version(on)
        return found.text if found is not None else None

    def _follow(self, was: Row | None, now: Row | None) -> None:
        """Notes and judged lines stay with a row that is called otherwise."""
        if was is None or now is None or was.table.name not in FOLLOWED:
            return
        old, new = was.full_id, now.full_id
        if old != new and was.path == now.path:
            self._desk.notes.rename(was.table.name, old, new)


def _about(was: Row | None, now: Row | None, table: Table) -> str:
    return next((each.title for each in (now, was) if each is not None), table.called.one)
