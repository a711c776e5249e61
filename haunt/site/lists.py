"""Lists of the journal for programs: pages by cursor as JSON, or all that match as CSV."""

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Annotated

from fastapi import APIRouter, Header, Path, Query, Response
from fastapi.responses import JSONResponse, StreamingResponse

from haunt.live.errors import CrewMistake
from haunt.site.ports import Asked, Item, NightReader, Page
from haunt.store.longrows import guarded

CSV = "text/csv; charset=utf-8; header=present"
CHUNK = 65_536
LIMIT_MAX = 1000
ID_MAX = 2**63 - 1
DECISION_COLUMNS = (
    "id",
    "at",
    "source",
    "motion",
    "sensor",
    "prop",
    "outcome",
    "reason",
    "behaviour",
    "cue",
    "waited_ms",
    "margin",
)
MOTION_COLUMNS = ("id", "at", "board", "sensor", "boot", "seq", "age_ms")
REPORT_COLUMNS = ("id", "at", "board", "boot", "cue", "state", "why")
ALERT_COLUMNS = (
    "id",
    "at",
    "kind",
    "subject",
    "severity",
    "state",
    "text",
    "todo",
    "count",
    "last",
    "acknowledged_by",
    "acknowledged_at",
    "closed_at",
)
HEALTH_COLUMNS = (
    "id",
    "at",
    "board",
    "boot",
    "up_ms",
    "battery_mv",
    "charge_percent",
    "rssi",
    "reset",
    "starts",
    "motions",
)

Since = Annotated[str | None, Query(max_length=64, description="RFC 3339; at or after.")]
Until = Annotated[str | None, Query(max_length=64, description="RFC 3339; before.")]
Filter = Annotated[str | None, Query(max_length=64)]
After = Annotated[int | None, Query(ge=0, le=ID_MAX, description="Only ids above this.")]
Before = Annotated[
    int | None, Query(ge=0, le=ID_MAX, description="Only ids below this, the newest of them.")
]
Day = Annotated[str | None, Query(max_length=10)]
Version = Annotated[int | None, Query(ge=1, le=ID_MAX)]
RowId = Annotated[int, Path(ge=0, le=ID_MAX)]
Limit = Annotated[int, Query(ge=1, le=LIMIT_MAX)]
CursorText = Annotated[str, Query(pattern=r"^[0-9]{0,18}$")]
Accept = Annotated[str, Header()]

Read = Callable[..., Page]


def instant(text: str | None, name: str, zone: tzinfo = UTC) -> int | None:
    """Return UTC ms of an RFC 3339 time; one without an offset is of `zone`."""
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text.replace(" ", "+") if "T" in text else text)
        return round((found if found.tzinfo else found.replace(tzinfo=zone)).timestamp() * 1000)
    except (ValueError, OverflowError) as fault:
        raise CrewMistake(
            f"{name}={text!r} is no time; write it like 2026-10-31T18:00:00Z", about=name
        ) from fault


def attached(name: str) -> dict[str, str]:
    """Headers that make a browser keep an answer as a file of that name."""
    return {"content-disposition": f'attachment; filename="{name}"'}


def csv_file(
    columns: tuple[str, ...], rows: Iterable[Mapping[str, object]], name: str
) -> StreamingResponse:
    return StreamingResponse(csv_of(columns, rows), media_type=CSV, headers=attached(name))


def csv_of(columns: tuple[str, ...], rows: Iterable[Mapping[str, object]]) -> Iterator[str]:
    """RFC 4180: CRLF, a header, quotes where needed; text that looks like a formula is guarded."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(key)) for key in columns])
        if buffer.tell() > CHUNK:
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, dict):
        return json.dumps(value, separators=(",", ":"))
    return guarded(value)


def every(read: Read, asked: Asked) -> Iterator[Item]:
    """Yield all that match, oldest first, one page of rows in memory at a time."""
    after = asked.get("after")
    while True:
        page = read(**{**asked, "after": after, "limit": LIMIT_MAX})
        yield from page.items
        if page.next is None:
            return
        after = page.next


def decisions_csv(reader: NightReader, asked: Asked) -> Response:
    """Give all that match, oldest first; the database writes the lines, see the port."""
    return _csv(decision_pieces(reader, asked), "decisions")


def decision_pieces(reader: NightReader, asked: Asked) -> Iterator[str]:
    yield ",".join(DECISION_COLUMNS) + "\r\n"
    yield from reader.decision_lines(**asked)


def _csv(pieces: Iterator[str], name: str) -> Response:
    headers = {**attached(f"{name}.csv"), "vary": "Accept"}
    return StreamingResponse(pieces, media_type=CSV, headers=headers)


def _answer(
    read: Read, columns: tuple[str, ...], asked: Asked, limit: int, accept: str, name: str
) -> Response:
    if "text/csv" not in accept:
        return _paged(read(**{**asked, "limit": limit}))
    asked.pop("before", None)
    return _csv(csv_of(columns, every(read, asked)), name)


def _paged(page: Page) -> Response:
    return JSONResponse({"items": page.items, "next": page.next})


def add_lists(router: APIRouter, reader: NightReader) -> None:
    @router.get("/decisions")
    def decisions(  # noqa: PLR0913, PLR0917 - one parameter a filter
        prop: Filter = None,
        sensor: Filter = None,
        outcome: Filter = None,
        reason: Filter = None,
        since: Since = None,
        until: Until = None,
        after: After = None,
        before: Before = None,
        limit: Limit = 100,
        accept: Accept = "",
    ) -> Response:
        """Every verdict with its reason; CSV of all that match by `Accept: text/csv`."""
        asked: Asked = {
            "prop": prop,
            "sensor": sensor,
            "outcome": outcome,
            "reason": reason,
            "since_ms": instant(since, "since"),
            "until_ms": instant(until, "until"),
            "after": after,
            "before": before,
        }
        if "text/csv" in accept:
            return decisions_csv(reader, {**asked, "before": None})
        asked["limit"] = limit
        return _paged(reader.decisions(**asked))

    one_list(router, "motions", MOTION_COLUMNS, reader.motions)
    one_list(router, "health", HEALTH_COLUMNS, reader.health)
    one_list(router, "reports", REPORT_COLUMNS, reader.reports)
    one_list(router, "alerts", ALERT_COLUMNS, reader.alerts)


def one_list(router: APIRouter, name: str, columns: tuple[str, ...], read: Read) -> None:
    @router.get(f"/{name}", name=name)
    def found(
        since: Since = None,
        until: Until = None,
        after: After = None,
        before: Before = None,
        limit: Limit = 100,
        accept: Accept = "",
    ) -> Response:
        asked: Asked = {
            "since_ms": instant(since, "since"),
            "until_ms": instant(until, "until"),
            "after": after,
            "before": before,
        }
        return _answer(read, columns, asked, limit, accept, name)
