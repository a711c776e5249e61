"""The manual's pages. What the code knows, such as rules and topics, is drawn from the code."""

from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse

from haunt.core.calendar import DAY_MS
from haunt.core.rules import ENDINGS, RULES, Kind, Rule, Scope, Unit
from haunt.live.errors import CrewMistake
from haunt.site.book.addresses import addresses
from haunt.site.book.chapters import CHAPTERS
from haunt.site.book.commands import COMMANDS, SHARED
from haunt.site.book.settings import server_rows, tables
from haunt.site.book.sums import worked
from haunt.site.doors import LIVES
from haunt.site.pages import Pages
from haunt.site.rights import what_roles_can
from haunt.study.reading import MISREAD
from haunt.study.rerun import LIMITS
from haunt.wire.schema import MEANING, asyncapi, schemas
from haunt.wire.topics import ALL_KINDS, KINDS, QOS, RETAINED, UP_KINDS

PACKETS = {
    "will": '{"state":"gone","boot":"7f3a91c2d405","conn":1}',
    "presence": '{"state":"here","boot":"7f3a91c2d405","conn":1,"fw":"mine 1","up_ms":1200,'
    '"reset":"power-on"}',
    "beat": '{"clock":"a1","now_ms":81234560,"wall_ms":1793552400000,"epoch":3}',
    "motion": '{"sensor":"gate-pir","boot":"7f3a91c2d405","seq":41,"age_ms":0}',
    "cue": '{"cue":"gate-7f3a91c2d405-41-gatekeeper","epoch":3,"prop":"gatekeeper",'
    '"behaviour":"growl","max_ms":6500,"ttl_ms":1500,"sent_ms":81234560}',
    "report": '{"cue":"gate-7f3a91c2d405-41-gatekeeper","boot":"7f3a91c2d405","state":"started"}',
    "stop": '{"stopped":true,"epoch":4,"at_ms":81240000}',
    "health": '{"boot":"7f3a91c2d405","up_ms":65000,"battery_mv":7410,"rssi":-61,'
    '"starts":{"gatekeeper":12},"motions":{"gate-pir":40},"active":{"gate-pir":12400},'
    '"epoch":3,"stopped":false,"reset":"power-on"}',
}
"""What the wire's chapter shows; a test reads each with the decoder."""

CONCERNS = {Scope.SENSOR: "sensor", Scope.PROP: "prop", Scope.SHOW: "show"}
MARGINS = {
    Unit.NONE: "",
    Unit.MS_LEFT: "how long until it passes",
    Unit.MS_LATE: "how long it has been so",
    Unit.PERCENT_UNDER: "how many points are missing",
}


DRAWN: Final[Mapping[str, Callable[[], dict[str, object]]]] = {
    "after": lambda: {"limits": LIMITS, "misread": MISREAD},
    "sums": lambda: {"worked": worked()},
    "settings": lambda: {"tables": tables(), "server": server_rows()},
    "commands": lambda: {"commands": COMMANDS, "shared": SHARED},
    "addresses": lambda: {"addresses": addresses()},
}
"""What a chapter is drawn from, where it is more than text."""


class RuleRow(NamedTuple):
    """One rule as the manual shows it."""

    reason: str
    meaning: str
    concerns: str
    waits: bool
    narrows: bool
    hand_overrules: bool
    margin: str


class TopicRow(NamedTuple):
    kind: str
    topic: str
    by: str
    qos: int
    retained: bool
    meaning: str


def topic_rows() -> list[TopicRow]:
    return [
        TopicRow(
            kind,
            f"{'all' if kind in ALL_KINDS else '<board>'}/{kind}",
            "board" if kind in UP_KINDS else "controller",
            QOS[kind],
            kind in RETAINED,
            MEANING[kind],
        )
        for kind in KINDS
    ]


def rule_rows() -> list[RuleRow]:
    return [_row(rule) for rule in RULES]


def _row(rule: Rule) -> RuleRow:
    return RuleRow(
        rule.reason,
        rule.meaning,
        CONCERNS[rule.scope],
        rule.kind is Kind.CLEARS,
        rule.behaviour_test is not None,
        rule.hand_overrules,
        MARGINS[rule.unit],
    )


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

    @router.get("/manual")
    async def manual(request: Request) -> HTMLResponse:
        return pages.page(request, "manual.html", chapters=CHAPTERS.items())

    @router.get("/manual/{chapter}")
    async def one_chapter(request: Request, chapter: str) -> HTMLResponse:
        if chapter not in CHAPTERS:
            raise CrewMistake(f"The manual has no chapter {chapter!r}.", missing=True)
        return pages.page(
            request,
            f"{chapter}.html",
            book=DRAWN.get(chapter, dict)(),
            rules=rule_rows(),
            endings=ENDINGS,
            topics=topic_rows(),
            packets=PACKETS,
            root=f"haunt/{pages.presenter().night.show_id}",
            is_https=request.url.scheme == "https",
            trust=pages.services.trust,
            roles=what_roles_can(),
            lives=[
                (r.word, its.idle_ms // DAY_MS, its.whole_ms // DAY_MS) for r, its in LIVES.items()
            ],
        )

    @router.get("/ca.pem")
    async def authority() -> Response:
        """For a phone that is not in yet, which is to trust the sign-in page; it is no secret."""
        trust = pages.services.trust
        if trust is None:
            raise CrewMistake("This server has no authority; see haunt certs.", missing=True)
        return Response(trust.pem, media_type="application/x-x509-ca-cert")

    _contract(router)
    return router


def _contract(router: APIRouter) -> None:
    """The wire for programs: generated from the payload models, the same for every show."""

    @router.get("/asyncapi.json")
    async def document() -> Response:
        return JSONResponse(asyncapi())

    @router.get("/schemas/{kind}.json")
    async def one_schema(kind: str) -> Response:
        found = schemas()
        if kind not in found:
            raise CrewMistake(
                f"There is no payload {kind!r}; there are {', '.join(found)}.", missing=True
            )
        return JSONResponse(found[kind], media_type="application/schema+json")
