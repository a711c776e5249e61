"""Goal: pages stay light, quick and steady on a phone at night, wherever the program grows.

Method: the whole program with the demo's boards in Chromium; a few looks at three times the aims
of `python -m tests.browser.measure`, which takes them all at once and in full.
"""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.evening import RealHouse
from tests.browser.measure import FIRST, pages
from tests.browser.phone import loaded, night_phone, seen
from tests.browser.test_looks import violations

pytestmark = pytest.mark.browser
LOOSE = 3
LCP_MS, TAP_MS, SHIFT, GZ_BYTES = 1000, 100, 0.02, 60_000
NEW = ("/log", "/counts", "/packs")


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealHouse]:
    found = RealHouse(data=tmp_path_factory.mktemp("evening") / "data")
    try:
        found.start()
        yield found
    finally:
        found.end()


def test_every_page_is_in_the_list_that_is_measured() -> None:
    found = pages()
    assert set(FIRST) <= set(found)
    assert len(found) > 25
    assert not [each for each in found if "{" in each]


def test_a_page_weighs_little_comes_soon_and_stays_where_it_is(
    chromium: Browser, evening: RealHouse
) -> None:
    for path in ("/", "/packs"):
        with night_phone(chromium, evening, slow=path == "/") as (_context, page, net):
            assert loaded(page, evening.url + path, 300) == 200
            found = seen(page)
            print(f"{path}: LCP {found['lcp']:.0f} ms, {net.bytes} bytes, {len(net.urls)} requests")
            assert 0 < found["lcp"] <= LOOSE * LCP_MS, path
            assert found["shift"] <= LOOSE * SHIFT, path
            assert 10_000 < net.bytes <= GZ_BYTES, f"{path}: weight does not depend on the machine"
            assert net.foreign(evening) == []
            assert net.said == []


def test_a_tap_is_answered_at_once(chromium: Browser, evening: RealHouse) -> None:
    with night_phone(chromium, evening) as (_context, page, _net):
        loaded(page, f"{evening.url}/props/gatekeeper", 300)
        for n in range(3):
            page.locator(".stepper button").nth(n % 2).tap()
            page.wait_for_timeout(250)
        taps = sorted(seen(page)["taps"].values())

    assert taps, "the browser saw the taps"
    assert taps[len(taps) // 2] <= LOOSE * TAP_MS


def test_the_log_counts_and_packs_break_no_rule_of_access(
    chromium: Browser, evening: RealHouse
) -> None:
    for theme, path in (("night", "/log"), ("red", "/packs"), ("light", "/counts")):
        with night_phone(chromium, evening, theme, slow=False) as (_context, page, _net):
            loaded(page, evening.url + path, 0)
            page.locator("details").evaluate_all("all => all.forEach(e => { e.open = true; })")
            assert violations(page) == [], f"{theme} {path}"
            page.set_viewport_size({"width": 320, "height": 568})
            assert page.evaluate("document.documentElement.scrollWidth") <= 320, path


def test_without_scripts_the_log_counts_and_packs_say_the_same(
    chromium: Browser, evening: RealHouse
) -> None:
    with night_phone(chromium, evening, slow=False, scripts=False) as (_context, page, _net):
        for path in NEW:
            loaded(page, evening.url + path, 0)
            assert len(page.locator("main").inner_text()) > 100, path
        page.goto(f"{evening.url}/log?outcome=fired")
        page.get_by_role("button", name="12 hours").click()
        assert page.url.endswith("/log?outcome=fired"), "back where the person was"
        assert (
            " pm" in page.locator("main").inner_text() or " am" in page.locator("main").inner_text()
        )
