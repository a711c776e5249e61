"""Goal: a page asks the database three times at most, however many pages there come to be.

Method: the real program in this process, every GET of the table of rights, statements counted by
SQLAlchemy's own event in the context of the request, so that journal and owner do not count.
"""

from collections.abc import Iterator

import pytest

from haunt.site.rights import RIGHTS
from tests.system.wholesite import Site, filled, the_whole_site

pytestmark = pytest.mark.system
MOST = 3
ENDLESS = {"/stream", "/api/v1/live"}
PATHS = sorted(each.path for each in RIGHTS if each.method == "GET" and each.path not in ENDLESS)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with the_whole_site(tmp_path_factory.mktemp("site")) as found:
        yield found


@pytest.mark.parametrize("path", PATHS)
def test_a_page_asks_three_times_at_most(site: Site, path: str) -> None:
    status, said = site.ask(filled(path))

    assert status < 500
    assert len(said) <= MOST, "\n".join(said)


def test_the_listener_hears_what_a_page_asks(site: Site) -> None:
    """Else a page that asks nothing and a deaf listener would look alike."""
    _, said = site.ask("/log?prop=old-well")
    assert any("FROM decisions" in each for each in said)
    _, said = site.ask("/")
    assert said == [], "Tonight is shown out of memory"


def test_a_page_asks_as_often_for_many_rows_as_for_few(site: Site) -> None:
    few = [len(site.ask(f"/log?before={before}")[1]) for before in (3, 500)]
    assert few[0] == few[1] > 0
