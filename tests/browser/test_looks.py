"""Goal: pages are dark, calm, readable and reachable by cold thumbs, and talk to nobody else.

Method: every page in every theme in Chromium; axe's rules; boxes and pixels measured.
"""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect

from tests.browser.house import (
    LAPTOP,
    PAGES,
    PHONE,
    THEMES,
    House,
    brightness,
    context_of,
)

pytestmark = pytest.mark.browser
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
TARGETS = "button, a, select, input:not([type=hidden]), summary"
SMALL = """(all, least) => [...all].filter(e => {
    const box = e.getBoundingClientRect(), label = e.labels && e.labels[0];
    const whole = label ? label.getBoundingClientRect() : box;
    if (!box.width || e.closest('.hidden')) return false;
    if (e.matches('p a, li > span a')) return false;
    const row = e.closest('.needs li, label');
    const tall = Math.max(box.height, whole.height, row ? row.getBoundingClientRect().height : 0);
    return tall < least;
}).map(e => e.outerHTML.slice(0, 120))"""


@pytest.mark.parametrize("theme", THEMES)
def test_no_page_breaks_its_policy_or_asks_anybody_else(
    chromium: Browser, house: House, theme: str
) -> None:
    page = context_of(chromium, house, theme).new_page()
    said: list[str] = []
    asked: list[str] = []

    def note(message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and "404" not in message.text:
            said.append(message.text)

    def noted(request: Request) -> None:
        asked.append(request.url)

    page.on("console", note)
    page.on("pageerror", lambda fault: said.append(str(fault)))
    page.on("request", noted)
    for path in PAGES:
        page.goto(house.url + path)
        page.wait_for_timeout(400)

    assert said == []
    assert [each for each in asked if not each.startswith(house.url)] == []
    assert len(asked) > len(PAGES)
    page.context.close()


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_axe_finds_nothing(
    chromium: Browser, house: House, theme: str, size: dict[str, int]
) -> None:
    page = context_of(chromium, house, theme, size).new_page()
    for path in PAGES:
        page.goto(house.url + path)
        assert violations(page) == [], path
    page.context.close()


@pytest.mark.parametrize("theme", THEMES)
def test_axe_finds_nothing_while_stopped_empty_or_stale(chromium: Browser, theme: str) -> None:
    for kind in ("evening", "empty", "faults"):
        house = House(kind)
        try:
            house.start()
            house.post("/stop")
            page = context_of(chromium, house, theme).new_page()
            page.goto(house.url)
            assert violations(page) == [], kind
            if kind == "evening":
                house.freeze()
                expect(page.locator("#stale")).to_be_visible(timeout=18_000)
                assert violations(page) == [], "stale"
            page.context.close()
        finally:
            house.end()


def violations(page: Page) -> list[str]:
    options = {"runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]}
    found = Axe().run(page, options=options).response["violations"]
    return [f"{each['id']}: {each['nodes'][0]['html'][:160]}" for each in found]


def test_everything_to_press_is_large(chromium: Browser, house: House) -> None:
    page = context_of(chromium, house).new_page()
    for path in PAGES:
        page.goto(house.url + path)
        buttons = page.locator("button, .button")
        assert buttons.evaluate_all(SMALL, 56) == [], path
        assert page.locator(TARGETS).evaluate_all(SMALL, 48) == [], path
        assert buttons.count() >= 4
    page.context.close()


@pytest.mark.parametrize("kind", ["running", "stopped"])
def test_nothing_scrolls_sideways_at_320_pixels(
    chromium: Browser, own_house: House, kind: str
) -> None:
    if kind == "stopped":
        own_house.post("/stop")
    page = context_of(chromium, own_house, size={"width": 320, "height": 568}).new_page()
    for path in PAGES:
        page.goto(own_house.url + path)
        width = page.locator("html").evaluate("e => e.scrollWidth")
        assert width <= 320, path
    page.context.close()


def test_the_first_screen_of_a_phone_holds_what_matters_at_half_past_eight(
    chromium: Browser, house: House
) -> None:
    page = context_of(chromium, house).new_page()
    page.goto(house.url)
    for name, found in (
        ("stop", page.get_by_role("button", name="Stop show")),
        ("gentle", page.get_by_role("button", name="Gentle")),
        ("broken", page.locator("#needs").get_by_text("Gate porter")),
        ("what to do", page.locator("#needs").get_by_text("heck the supply")),
        ("pack", page.locator("#needs").get_by_text("pack at 14 %")),
        ("next", page.locator("#summary").get_by_text("phase late")),
    ):
        box = found.first.bounding_box()
        assert box is not None, name
        assert box["y"] + box["height"] <= 640, f"{name} ends at {box['y'] + box['height']:.0f}"
    page.context.close()


def test_night_is_dark_and_each_theme_is_itself(chromium: Browser, house: House) -> None:
    for size, paths in ((PHONE, PAGES), (LAPTOP, ("/", "/nothing"))):
        page = context_of(chromium, house, "night", size).new_page()
        for path in paths:
            page.goto(house.url + path)
            assert brightness(page) <= 40, path
        page.context.close()
    light = context_of(chromium, house, "light").new_page()
    light.goto(house.url)
    assert brightness(light) > 150, "the measure tells dark from light"
    light.context.close()


def test_nothing_moves_for_those_who_want_no_motion(chromium: Browser, house: House) -> None:
    page = context_of(chromium, house).new_page()
    page.emulate_media(reduced_motion="reduce")
    for path in PAGES:
        page.goto(house.url + path)
        moving = page.locator("body *").evaluate_all(
            "all => all.filter(e => getComputedStyle(e).animationName !== 'none').length"
        )
        assert moving == 0, path
    page.context.close()


def test_the_first_page_is_light_and_soon_there(chromium: Browser, house: House) -> None:
    page = context_of(chromium, house).new_page()
    page.add_init_script(
        "new PerformanceObserver(l => { for (const e of l.getEntries()) "
        "document.documentElement.dataset.lcp = e.startTime; })"
        ".observe({type: 'largest-contentful-paint', buffered: true})"
    )
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(house.url)
    page.wait_for_timeout(500)
    lcp_ms = float(page.locator("html").get_attribute("data-lcp") or "nan")

    print(f"LCP {lcp_ms:.0f} ms on loopback, {len(asked)} requests")
    assert lcp_ms <= 3000
    assert len([each for each in asked if "/stream" not in each]) <= 7
    page.context.close()
