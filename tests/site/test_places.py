"""Goal: every page can be found from the help page by whoever may open it, and by nobody else.

Method: the table of rights against the links of the page.
"""

import re

import pytest

from haunt.site.places import PLACES
from haunt.site.rights import GRANTED, NOBODY, RIGHTS
from tests.site.stage import Stage

ELSEWHERE = {
    "/release": "leads on from the stop",
    "/stream": "no page",
    "/metrics": "for programs",
    "/help": "the page itself",
    "/tune-show": "on the page of all props",
    "/tune-nights": "on the page of all props",
}
"""Pages and files that have their place on another page."""


@pytest.mark.parametrize("role", GRANTED)
def test_help_leads_to_all_that_the_role_may_see(stage: Stage, role: str) -> None:
    stage.become(role)
    html = stage.client.get("/help").text
    for places in PLACES.values():
        for place in places:
            found = f'href="{place.href}"' in re.sub(
                r"<nav.*?</nav>|<footer.*", "", html, flags=re.DOTALL
            )
            least = next(
                each.least for each in RIGHTS if (each.method, each.path) == ("GET", place.href)
            )
            assert found == (least <= GRANTED[role]), place


def test_no_page_is_left_out() -> None:
    listed = {place.href for places in PLACES.values() for place in places}
    pages = {
        each.path
        for each in RIGHTS
        if each.method == "GET"
        and each.least > NOBODY
        and not re.search(r"\{|^/api/|\.(csv|json|toml|pdf)$|^/\w[\w-]*/", each.path)
    }

    assert pages - listed - set(ELSEWHERE) == set()
