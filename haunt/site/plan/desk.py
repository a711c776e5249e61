"""What all pages of the plan are drawn with: the show as it is kept, its versions, its sums."""

from collections.abc import Mapping
from typing import Annotated, Any, Final, NamedTuple

from fastapi import Depends, Query, Request
from fastapi.responses import HTMLResponse

from haunt.site.asking import by, inside
from haunt.site.lists import ID_MAX
from haunt.site.pages import Pages
from haunt.site.plan.changes import CHANGED, Change, changes, only_looks
from haunt.site.plan.edits import Change as Steps
from haunt.site.plan.edits import Done, change
from haunt.site.plan.sums import Known, Shows
from haunt.site.plan.tables import ALL, rows_of
from haunt.site.plan.texts import Typed
from haunt.site.ports import KeptShow
from haunt.site.rights import OWNER
from haunt.wire.showfile import ReadShow

SAID_MAX: Final = 3
FIELDS_MAX: Final = 8000
ON: Final = "on"
"""The hidden field with the version that a form was drawn from."""


class Flash(NamedTuple):
    """What was just done, and the way back: the version before, and where to go then."""

    said: str
    before: int = 0
    now: int = 0
    back: str = ""


class Broken(Exception):  # noqa: N818 - the word says what happened
    """The show as it is kept cannot be read by this program."""

    def __init__(self, known: Known) -> None:
        super().__init__("the show cannot be read")
        self.known = known


class Desk:
    """One for an application. Reads what is kept once a version, not once a page."""

    def __init__(self, pages: Pages) -> None:
        self.pages, services = pages, pages.services
        self.keeper, self.shelf, self.notes = services.keeper, services.shelf, services.notes
        self.shows = Shows(services.sunset_of)

    def now(self) -> tuple[KeptShow, ReadShow]:
        """The show as it is kept. Raises Broken."""
        kept = self.keeper.kept()
        known = self.shows.read(kept.text)
        if known.read is None:
            raise Broken(known)
        return kept, known.read

    def change(self, request: Request, steps: Steps) -> Done:
        """Raises what `edits.change` does, and Broken."""
        self.now()
        return change(self.keeper, by(request), steps)

    def page(
        self, request: Request, template: str, status: int = 200, **more: object
    ) -> HTMLResponse:
        """Draw a page that does not load itself anew under somebody's hands."""
        more = {"outline": "", "flash": None, "on": 0, **more}
        can_edit = inside(request).role >= OWNER
        return self.pages.page(request, template, status, "bar", can_edit=can_edit, **more)

    def broken(self, request: Request, fault: Broken) -> HTMLResponse:
        refused = [str(each) for each in fault.known.faults]
        return self.page(request, "plan_broken.html", 409, refused=refused)

    def flash(self, saved: int | None, *hrefs: str) -> Flash | None:
        """Say what the newest version brought, where it is the one that was just saved.

        `hrefs` are where to go after an undo: the first that is there in the version before.
        """
        found = self.shelf.versions(2) if saved else []
        if not found or found[0].version != saved:
            return None
        known = [self.shows.read(each.text).read for each in found]
        now, before = known[0], known[1] if len(known) > 1 else None
        if now is None or before is None:
            return Flash("Saved.")
        said = sentences(before.raw, now.raw)
        more = len(said) - SAID_MAX
        words = "; ".join(said[:SAID_MAX]) + (f"; and {more} more" if more > 0 else "")
        back = next((each for each in hrefs if is_there(each, before.raw)), "/plan")
        return Flash(
            f"Saved. {words[:1].upper()}{words[1:]}", found[1].version, found[0].version, back
        )


def is_there(href: str, raw: Mapping[str, Any]) -> bool:
    """Whether a page of the plan is one in that show; those of no row always are."""
    slug, is_row, _ = href.removeprefix("/plan/").partition("/")
    if not is_row or slug not in ALL:
        return True
    return any(each.href == href for each in rows_of(ALL[slug], dict(raw)))


def sentences(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """What differs, in words; never empty."""
    found = changes(dict(before), dict(after))
    said = [each.said if each.kind == CHANGED else f"{each.kind}: {each.said}" for each in found]
    return said or [only_looks(dict(before), dict(after))]


def compared(before: ReadShow, after: ReadShow) -> tuple[list[Change], str]:
    """Lines, and what to say where there are none."""
    if before.text == after.text:
        return [], "They are the same, to the letter."
    found = changes(before.raw, after.raw)
    return found, "" if found else only_looks(before.raw, after.raw)


def version_of(typed: Typed) -> int | None:
    """The version that a form was drawn from."""
    text = typed.get(ON, [""])[-1]
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 18 else None


async def typed_of(request: Request) -> Typed:
    """What a form holds, texts only."""
    found: dict[str, list[str]] = {}
    async with request.form(max_fields=FIELDS_MAX) as form:
        for name, text in form.multi_items():
            if isinstance(text, str):
                found.setdefault(name, []).append(text)
    return found


TypedForm = Annotated[Typed, Depends(typed_of)]
Saved = Annotated[int | None, Query(ge=0, le=ID_MAX)]
"""The version that was just saved; 0: it was so already."""
