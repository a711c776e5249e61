"""Goal: pages are dark, calm, readable and reachable by cold thumbs, and talk to nobody else.

Method: one walk a theme through every page in Chromium, on which all is measured that the tests
then ask for: axe's rules, boxes, pixels, requests and what the console said.
"""

from dataclasses import dataclass, field

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Page, expect

from tests.browser.house import (
    LAPTOP,
    PAGES,
    PHONE,
    THEMES,
    House,
    brightness,
    context_of,
    open_house,
)
from tests.outside.registry import outside

pytestmark = pytest.mark.browser
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
COLOURS = ["color-contrast", "link-in-text-block"]
DARK = 40
REQUESTS_MAX = 4
"""After the first: style, script, icon, stream."""
MOVING = "all => all.filter(e => getComputedStyle(e).animationName !== 'none').length"
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


@dataclass(slots=True)
class Looks:
    """What one walk through all pages in one theme has found; each test asks for its own part."""

    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    axe: list[str] = field(default_factory=list)
    small: list[str] = field(default_factory=list)
    wide: list[str] = field(default_factory=list)
    bright: list[str] = field(default_factory=list)
    moving: list[str] = field(default_factory=list)
    buttons: dict[str, int] = field(default_factory=dict)


def walked(chromium: Browser, house: House, theme: str) -> Looks:
    page, found = context_of(chromium, house, theme).new_page(), Looks()
    page.emulate_media(reduced_motion="reduce")

    def note(message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and "404" not in message.text:
            found.said.append(message.text)

    page.on("console", note)
    page.on("pageerror", lambda fault: found.said.append(str(fault)))
    page.on("request", lambda request: found.asked.append(request.url))
    for path in PAGES:
        for size in (PHONE, LAPTOP):
            page.set_viewport_size({"width": size["width"], "height": size["height"]})
            if size is PHONE:
                page.goto(house.url + path)
                _measure(page, path, found)
            # Markup is the same in every theme (tests/site/test_pages.py): only colours differ.
            found.axe += [f"{path} {e}" for e in violations(page, whole=theme == "night")]
            if brightness(page) > DARK:
                found.bright.append(f"{path} {size}")
        page.set_viewport_size({"width": 320, "height": 568})
        if page.evaluate("document.documentElement.scrollWidth") > 320:
            found.wide.append(path)
    page.context.close()
    return found


def _measure(page: Page, path: str, found: Looks) -> None:
    buttons = page.locator("button, .button")
    found.buttons[path] = buttons.count()
    for least, what in ((56, buttons), (48, page.locator(TARGETS))):
        found.small += [f"{path} {each}" for each in what.evaluate_all(SMALL, least)]
    moving = page.locator("body *").evaluate_all(MOVING)
    if moving:
        found.moving.append(path)


@pytest.fixture(scope="module", params=THEMES)
def theme(request: pytest.FixtureRequest) -> str:
    found: str = request.param
    return found


@pytest.fixture(scope="module")
def looks(chromium: Browser, house: House, theme: str) -> Looks:
    return walked(chromium, house, theme)


def test_no_page_breaks_its_policy_or_asks_anybody_else(looks: Looks, house: House) -> None:
    assert looks.said == []
    assert [each for each in looks.asked if not each.startswith(house.url)] == []
    assert len(looks.asked) > len(PAGES)


def test_axe_finds_nothing_on_a_phone_or_a_laptop(looks: Looks) -> None:
    assert looks.axe == []
    outside("axe/pages").agrees(cases=len(looks.buttons))


def test_everything_to_press_is_large(looks: Looks) -> None:
    assert looks.small == []
    outside("targets/height").agrees(cases=sum(looks.buttons.values()))
    assert all(count >= 4 for count in looks.buttons.values())


def test_nothing_moves_for_those_who_want_no_motion(looks: Looks) -> None:
    assert looks.moving == []


def test_no_page_scrolls_sideways_at_320_pixels(looks: Looks) -> None:
    assert looks.wide == []


def test_night_and_red_are_dark_and_light_is_not(looks: Looks, theme: str) -> None:
    """A measure that cannot tell dark from light would find no bright page in Light either."""
    assert bool(looks.bright) is (theme == "light")


def test_axe_would_find_what_it_is_asked_to_look_for(chromium: Browser, house: House) -> None:
    page = context_of(chromium, house, "red").new_page()
    page.goto(f"{house.url}/release")
    page.locator("main p").first.evaluate("e => { e.style.color = '#300'; e.title = ''; }")
    page.locator("header button").first.evaluate("e => { e.textContent = ''; }")
    found = " ".join(violations(page)), " ".join(violations(page, whole=False))
    assert "color-contrast" in found[0]
    assert "button-name" in found[0]
    assert "color-contrast" in found[1]
    page.context.close()


@pytest.mark.parametrize("kind", ["evening", "empty", "faults"])
def test_axe_finds_nothing_while_stopped_empty_or_stale(chromium: Browser, kind: str) -> None:
    with open_house(House(kind)) as house:
        house.post("/stop")
        pages = {theme: context_of(chromium, house, theme).new_page() for theme in THEMES}
        for theme, page in pages.items():
            page.goto(house.url)
            assert violations(page, whole=theme == "night") == [], theme
        page.set_viewport_size({"width": 320, "height": 568})
        assert page.evaluate("document.documentElement.scrollWidth") <= 320, "stopped"
        if kind == "evening":
            house.freeze()
            for theme, page in pages.items():
                expect(page.locator("#stale")).to_be_visible(timeout=18_000)
                assert violations(page, whole=theme == "night") == [], f"stale, {theme}"
                outside("axe/states").agrees()
        for page in pages.values():
            page.context.close()


def violations(page: Page, *, whole: bool = True) -> list[str]:
    """Return what axe finds; not `whole`, only what its rules about colours find."""
    tags, rules = {"type": "tag", "values": TAGS}, {"type": "rule", "values": COLOURS}
    options = {"runOnly": tags if whole else rules, "resultTypes": ["violations"]}
    found = Axe().run(page, options=options).response["violations"]
    return [f"{each['id']}: {each['nodes'][0]['html'][:160]}" for each in found]


def test_the_first_screen_of_a_phone_holds_what_matters_at_half_past_eight(
    chromium: Browser, house: House
) -> None:
    page = context_of(chromium, house).new_page()
    page.goto(house.url)
    for name, found in (
        ("stop", page.get_by_role("button", name="Stop show")),
        ("gentle", page.get_by_role("button", name="Gentle")),
        ("broken", page.locator("#needs .places").get_by_text("Gate porter")),
        ("what to do", page.locator("#needs .places").get_by_text("heck the supply")),
        ("pack", page.locator("#needs .places").get_by_text("pack at 14 %")),
        ("next", page.locator("#summary").get_by_text("phase late")),
    ):
        box = found.first.bounding_box()
        assert box is not None, name
        assert box["y"] + box["height"] <= 640, f"{name} ends at {box['y'] + box['height']:.0f}"
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
    assert len(asked) - 1 <= REQUESTS_MAX, asked
    page.context.close()
