"""What people press on pages: a form that posts and is sent back, or parts for htmx.

Stop and all that goes to the night touches no database and no thread pool.
"""

import secrets
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from haunt.core.decisions import Decision, Outcome
from haunt.live.errors import CrewMistake
from haunt.live.sentences import sentence
from haunt.site.answers import answered, outcome_of
from haunt.site.asking import Seconds, by, keep_choice, own_path, told
from haunt.site.clocks import STYLES, seconds
from haunt.site.lists import RowId
from haunt.site.pages import THEMES, Pages
from haunt.site.presenter import tuned
from haunt.site.view_models import Notice
from haunt.wire.showerrors import ShowFileRefused

GENTLE_MS = 180_000
ALWAYS = ("bar", "summary", "needs", "everything", "fold")

ForSeconds = Annotated[int | None, Form(ge=1, le=3600)]


def is_htmx(request: Request) -> bool:
    return "hx-request" in request.headers


def _ms(seconds: int | None) -> int | None:
    return None if seconds is None else seconds * 1000


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _show_actions(router, pages)
    _hold_actions(router, pages)
    _prop_actions(router, pages)
    _alert_actions(router, pages)
    return router


def done(
    request: Request,
    pages: Pages,
    said: str,
    *changed: str,
    level: str = "good",
    back: str | None = None,
) -> Response:
    """After an action: the changed parts for htmx, else back to where the person was."""
    if not is_htmx(request):
        return RedirectResponse(back or back_of(request), 303)
    fragments = pages.fragments
    html = fragments.fresh(*ALWAYS, *changed) + fragments.notice(Notice(said, level))
    return HTMLResponse(html)


def back_of(request: Request) -> str:
    """Return the path of our own page that the post came from."""
    referer = request.headers.get("referer", "")
    _, found, path = referer.partition(f"://{request.headers.get('host', '')}")
    return own_path(path) if found else "/"


def _show_actions(router: APIRouter, pages: Pages) -> None:
    crew = pages.services.crew

    @router.post("/stop")
    async def stop(request: Request) -> Response:
        await answered(crew.stop(by(request)), keep=True)
        # The bar shows it; the words are for ears.
        return done(request, pages, "The show is stopped.", *cards(pages), level="quiet")

    @router.post("/release")
    async def release(request: Request) -> Response:
        await answered(crew.release_stop(by(request)))
        return done(request, pages, "The show goes on in 5 s.", *cards(pages), back="/")

    @router.post("/gentle")
    async def gentle(request: Request) -> Response:
        await answered(crew.phase_by_hand("gentle", GENTLE_MS, by(request)))
        return done(request, pages, "Gentle for 3 minutes: all props are mild.")

    @router.post("/theme")
    async def theme(request: Request, theme: Annotated[str, Form(max_length=16)]) -> Response:
        answer = RedirectResponse(back_of(request), 303)
        if theme in THEMES:
            keep_choice(request, answer, "theme", theme)
        return answer

    @router.post("/clock")
    async def clock(request: Request, clock: Annotated[str, Form(max_length=2)]) -> Response:
        """Remember by which clock this browser shows times, on every page."""
        answer = RedirectResponse(back_of(request), 303)
        if clock in STYLES:
            keep_choice(request, answer, "clock", clock)
        return answer


def cards(pages: Pages) -> list[str]:
    return [f"prop-{each}" for each in pages.services.crew.view().props]


def _hold_actions(router: APIRouter, pages: Pages) -> None:
    crew = pages.services.crew

    @router.post("/hold")
    async def hold_all(request: Request, for_s: ForSeconds = None) -> Response:
        await answered(crew.hold(None, by(request), _ms(for_s)))
        said = "All props are on hold."
        if for_s is not None:
            said = f"All props are on hold for {for_s} s; those armed by hand until released."
        return done(request, pages, said, *cards(pages))

    @router.post("/release-hold")
    async def release_all(request: Request) -> Response:
        """Leave those armed by hand held: each by its own control."""
        await answered(crew.release_hold(None, by(request)))
        said = "Released. Props armed by hand stay held: release each where you can see it."
        return done(request, pages, said, *cards(pages))

    @router.post("/props/{prop}/hold")
    async def hold(request: Request, prop: str, for_s: ForSeconds = None) -> Response:
        name = pages.prop(prop).name
        await answered(crew.hold(prop, by(request), _ms(for_s)))
        said = f"{name} is on hold for {for_s} s." if for_s else f"{name} is on hold."
        return done(request, pages, said, f"prop-{prop}")

    @router.post("/props/{prop}/release")
    async def release_prop(request: Request, prop: str) -> Response:
        name = pages.prop(prop).name
        await answered(crew.release_hold(prop, by(request)))
        return done(request, pages, f"{name} is released.", f"prop-{prop}")


def _told(pages: Pages, decision: Decision) -> str:
    """As the prop's card has it, with the facts, unless something has happened there since."""
    presenter = pages.presenter()
    prop = presenter.night.props.get(decision.prop or "")
    if prop is not None and prop.last_decision == decision:
        return presenter.times.retold(prop.sentence)
    return sentence(decision._asdict(), presenter.names, presenter.clock)


def _prop_actions(router: APIRouter, pages: Pages) -> None:
    crew, keeper = pages.services.crew, pages.services.keeper

    @router.post("/props/{prop}/fire")
    async def fire(
        request: Request,
        prop: str,
        behaviour: Annotated[str, Form(max_length=64)] = "",
        hands_clear: Annotated[bool, Form()] = False,
    ) -> Response:
        name = pages.prop(prop).name
        future = crew.fire(
            prop,
            f"h-{secrets.token_hex(8)}",
            by(request),
            behaviour=behaviour or None,
            hands_clear=hands_clear,
        )
        decisions = await answered(future)
        said = " ".join(f"{name}: {_told(pages, each)}" for each in decisions)
        fired = any(each.outcome is Outcome.FIRED for each in decisions)
        told(request, outcome_of(decisions))
        level = "good" if fired else "soon"
        return done(request, pages, said or f"{name} did nothing.", f"prop-{prop}", level=level)

    @router.post("/props/{prop}/cooldown")
    def cooldown(request: Request, prop: str, cooldown_s: Seconds) -> Response:
        before = pages.prop(prop)
        was_s = seconds(before.cooldown_ms)
        try:
            keeper.patch_prop(prop, {"cooldown_s": cooldown_s}, by(request))
        except ShowFileRefused as refused:
            said = Notice(refused.said, "now")
            if is_htmx(request):
                return HTMLResponse(pages.fragments.notice(said), 422)
            return pages.prop_page(request, prop, 422, said)
        if not is_htmx(request):
            return RedirectResponse(f"/props/{prop}?{urlencode({'was_s': was_s})}", 303)
        html = pages.fragments.fresh(f"tune-{prop}", f"prop-{prop}")
        return HTMLResponse(html + pages.fragments.notice(tuned(pages.prop(prop), was_s)))


def _alert_actions(router: APIRouter, pages: Pages) -> None:
    @router.post("/alerts/{alert}/seen")
    async def seen(request: Request, alert: RowId) -> Response:
        try:
            await answered(pages.services.crew.acknowledge(alert, by(request)))
        except CrewMistake:  # it closed while the thumb came down: nothing is left to be seen
            return done(request, pages, "That is over already.")
        return done(request, pages, "Noted: seen by you.")
