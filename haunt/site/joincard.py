"""The join card: a network and an address as two codes, on a page and on paper.

What is typed is forgotten with the answer, unless the owner asks to keep it.
"""

from typing import Annotated, Final

from fastapi import APIRouter, Form, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse

from haunt.live.errors import CrewMistake
from haunt.site.asking import by, told
from haunt.site.invitations import HOURS_MAX, USES_MAX, NewLink
from haunt.site.labels import PaperName, addresses_of, base_of, pdf_file, printed_at
from haunt.site.pages import Pages
from haunt.site.paper.ink import PAPERS
from haunt.site.paper.joincard import card_pdf, checked, steps_of
from haunt.site.paper.ports import Press, Wifi
from haunt.site.qr import qr_svg
from haunt.site.rights import CREW, WATCH, what_roles_can
from haunt.site.sign_in import address_of_link

ROLES: Final = (WATCH, CREW)
"""No card makes an owner: it passes through many hands."""
PLAIN: Final = "address"
"""The choice of no join link: whoever comes signs in by name and password."""

Text = Annotated[str, Form(max_length=128)]
Word = Annotated[str, Form(max_length=16)]


def routes(pages: Pages) -> APIRouter:
    router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
    _form(router, pages)
    _card(router, pages)
    _pdf(router, pages)
    return router


def _form(router: APIRouter, pages: Pages) -> None:
    @router.get("/join-card")
    def form(request: Request) -> HTMLResponse:
        return pages.page(
            request,
            "join_card_form.html",
            wifi=pages.services.press.wifi(),
            addresses=addresses_of(pages, request),
            roles=what_roles_can(ROLES),
            plain=PLAIN,
            hours_max=HOURS_MAX,
            uses_max=USES_MAX,
        )


def _card(router: APIRouter, pages: Pages) -> None:
    press, entrance = pages.services.press, pages.services.entrance

    @router.post("/join-card")
    async def card(  # noqa: PLR0913, PLR0917 - one parameter a field
        request: Request,
        ssid: Text = "",
        password: Text = "",
        role: Word = PLAIN,
        at: Word = "",
        hours: Annotated[float, Form(gt=0, le=HOURS_MAX, allow_inf_nan=False)] = 4,
        uses: Annotated[int, Form(ge=1, le=USES_MAX)] = 1,
        keep: Word = "",
    ) -> Response:
        """Answer with the codes; a join link is kept nowhere and cannot be shown again."""
        wifi = checked(ssid.strip(), password)
        base = base_of(addresses_of(pages, request), at)
        url = base
        if role != PLAIN:
            if role not in {each.word for each in ROLES}:
                raise CrewMistake(f"Nobody joins as {role!r} by a card.", about="role")
            code = await entrance.make_link(NewLink("join", role, hours, uses), by(request))
            url = address_of_link(base, "join", code)
        await run_in_threadpool(_settle, press, wifi if keep else None)
        told(request, about=f"{role}, {uses} times, {hours:g} h" if role != PLAIN else role)
        who = role if role != PLAIN else ""
        steps = steps_of(wifi, url, who)
        return pages.page(
            request,
            "join_card.html",
            steps=[(each, qr_svg(each.code)) for each in steps],
            wifi=wifi,
            url=url,
            who=who,
            papers=PAPERS.values(),
        )


def _pdf(router: APIRouter, pages: Pages) -> None:
    @router.post("/join-card.pdf")
    def pdf(
        request: Request,
        url: Annotated[str, Form(max_length=512)],
        ssid: Text = "",
        password: Text = "",
        who: Word = "",
        paper: Annotated[PaperName, Form()] = "a4",
    ) -> Response:
        """Print what the page shows; the link is that of the page, no new one."""
        bases = [each.url for each in addresses_of(pages, request)]
        if not any(url == each or url.startswith(f"{each}/") for each in bases):
            raise CrewMistake("A join card leads to these pages only.", about="url")
        show = pages.presenter().night.show_name
        steps = steps_of(checked(ssid.strip(), password), url, who)
        pdf = card_pdf(show, steps, PAPERS[paper], printed_at(pages))
        return pdf_file(pdf, f"join-card-{paper}.pdf")


def _settle(press: Press, wifi: Wifi | None) -> None:
    """Keep a network, or forget the one that was kept."""
    if wifi != press.wifi():
        press.keep_wifi(wifi)
