"""The log: every decision in words, with what broke it between, by filters and a cursor."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Final

from fastapi import APIRouter, Query, Request, Response
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field

from haunt.live.sentences import reasons
from haunt.site.clocks import Clock, lasting
from haunt.site.lists import CursorText, decisions_csv, instant
from haunt.site.pages import Pages
from haunt.site.ports import Asked, Break, Item, NightReader, Page
from haunt.site.presenter import Presenter
from haunt.site.view_models import Entry
from haunt.store.instants import ms_of, rfc3339_second

DECISIONS_SHOWN: Final = 50
SHORT_MS: Final = 15_000
OUTCOMES: Final = {"fired": "fired", "refused": "refused", "lapsed": "too late"}
FILTERS: Final = ("prop", "sensor", "outcome", "reason", "since", "until")

Word = Annotated[str, Field(max_length=64)]


class Filters(BaseModel):
    """What a person asked for, as it stands in the address; times are local ones."""

    prop: Word = ""
    sensor: Word = ""
    outcome: Word = ""
    reason: Word = ""
    since: Word = ""
    until: Word = ""
    before: CursorText = ""

    @property
    def kept(self) -> dict[str, str]:
        return {name: value for name in FILTERS if (value := getattr(self, name))}


@dataclass(frozen=True, slots=True)
class Gap:
    """A line across the log: what was, and from when to when."""

    at: str
    clock: str
    sentence: str
    kind: str = "gap"


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    reader = pages.services.reader

    @router.get("/log")
    def log_page(request: Request, asked: Annotated[Filters, Query()]) -> HTMLResponse:
        presenter = pages.presenter()
        cursor = int(asked.before) if asked.before else None
        filters = _wanted(asked.kept, presenter)
        filters["newest"], filters["limit"], filters["before"] = True, DECISIONS_SHOWN, cursor
        found = reader.decisions(**filters)
        return pages.page(
            request,
            "log.html",
            lines=list(_merged(found.items, _breaks(reader, found, filters), presenter)),
            older=found.next,
            is_newest=cursor is None,
            asked=asked,
            kept=asked.kept,
            props=presenter.night.props.values(),
            sensors=presenter.night.sensors.values(),
            outcomes=OUTCOMES,
            reasons=reasons(),
        )

    @router.get("/log.csv")
    def log_csv(asked: Annotated[Filters, Query()]) -> Response:
        """Let a link fetch what the API gives by `Accept: text/csv`."""
        return decisions_csv(reader, _wanted(asked.kept, pages.presenter()))

    return router


def _wanted(kept: Mapping[str, str], presenter: Presenter) -> Asked:
    """Turn a form's words into the reader's; its times are local ones."""
    return {
        "prop": kept.get("prop"),
        "sensor": kept.get("sensor"),
        "outcome": kept.get("outcome"),
        "reason": kept.get("reason"),
        "since_ms": instant(kept.get("since"), "since", presenter.zone),
        "until_ms": instant(kept.get("until"), "until", presenter.zone),
    }


def _breaks(reader: NightReader, found: Page, filters: Asked) -> Sequence[Break]:
    """Return what breaks this page of the log; of the oldest page, what was before it too."""
    if not found.items:
        return ()
    first = int(str(found.items[0]["id"])) if found.next is not None else None
    return reader.breaks(
        first, filters.get("before"), filters.get("since_ms"), filters.get("until_ms")
    )


def _merged(
    items: Sequence[Item], breaks: Sequence[Break], presenter: Presenter
) -> Iterator[Entry | Gap]:
    """Newest first: each decision, and above it what broke off after it."""
    clock = presenter.times
    today, waiting = clock.day(presenter.night.at_ms), list(reversed(breaks))
    for item in reversed(items):
        at_ms = ms_of(str(item["at"]))
        while waiting and waiting[-1].at_ms > at_ms:
            yield _gap(waiting.pop(), today, clock)
        yield presenter.entry(item)
    for each in reversed(waiting):
        yield _gap(each, today, clock)


def _gap(what: Break, today: date, clock: Clock) -> Gap:
    at = rfc3339_second(what.at_ms)
    return Gap(at, clock.moment(what.at_ms, today), _broke(what, today, clock))


def _broke(what: Break, today: date, clock: Clock) -> str:
    if what.kind == "lost":
        return "The broker was lost: from here on no motion could come."
    if what.kind == "back":
        return "The broker was back."
    if what.heard_ms is None:
        return "The server began; no board had been heard before."
    off_ms = what.at_ms - what.heard_ms
    if off_ms < SHORT_MS:
        return f"The server was started again; nobody was heard for {off_ms / 1000:.0f} s."
    since = clock.moment(what.heard_ms, today)
    return f"The server was off, at most since {since} ({lasting(off_ms)}): nobody was heard."
