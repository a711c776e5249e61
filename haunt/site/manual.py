"""The manual's pages. What the code knows, such as the rules, is drawn from the code."""

from typing import NamedTuple

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from haunt.core.rules import ENDINGS, RULES, Kind, Rule, Scope, Unit
from haunt.site.pages import Pages

CONCERNS = {Scope.SENSOR: "sensor", Scope.PROP: "prop", Scope.SHOW: "show"}
MARGINS = {
    Unit.NONE: "",
    Unit.MS_LEFT: "how long until it passes",
    Unit.MS_LATE: "how long it has been so",
    Unit.PERCENT_UNDER: "how many points are missing",
}


class RuleRow(NamedTuple):
    """One rule as the manual shows it."""

    reason: str
    meaning: str
    concerns: str
    waits: bool
    narrows: bool
    hand_overrules: bool
    margin: str


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

    @router.get("/manual/rules")
    async def rules(request: Request) -> HTMLResponse:
        return pages.page(request, "rules.html", rules=rule_rows(), endings=ENDINGS)

    return router
