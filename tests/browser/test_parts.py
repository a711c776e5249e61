"""Goal: an update changes what it is meant to change and nothing else a person has set or pressed.

Method: Chromium against a stand-in; the page is looked at before and after updates by the stream.
"""

import re

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, Request, expect

from tests.browser.house import House, context_of

pytestmark = pytest.mark.browser
NODES = "e => [e, ...e.querySelectorAll('*')].reduce((n, each) => n + each.childNodes.length, 0)"
SHIFTS = (
    "new PerformanceObserver(l => { for (const e of l.getEntries()) "
    "document.documentElement.dataset.shift = "
    "(Number(document.documentElement.dataset.shift) || 0) + e.value; })"
    ".observe({type: 'layout-shift', buffered: true})"
)


def opened(chromium: Browser, house: House, path: str = "/") -> Page:
    page = context_of(chromium, house).new_page()
    page.add_init_script(SHIFTS)
    page.goto(house.url + path)
    return page


def go_round(page: Page) -> None:
    """Wait until the lantern has gone once round its states."""
    card = page.locator("#prop-lantern")
    for word in ("Ready", "Playing", "Rest", "Ready"):
        expect(card).to_contain_text(word, timeout=10_000)


def test_a_folded_list_stays_folded_and_an_open_one_open(chromium: Browser, house: House) -> None:
    page = opened(chromium, house)
    props = page.locator("details.props")
    go_round(page)
    expect(props).to_have_attribute("open", "")

    page.locator("#fold").click()
    count = page.locator("#fold .k-playing")
    expect(count).to_contain_text("1 playing", timeout=10_000)
    expect(count).to_contain_text("0 playing", timeout=10_000)

    expect(props).not_to_have_attribute("open", "")
    expect(page.locator("#prop-owl")).to_be_hidden()
    page.context.close()


def test_updates_leave_nothing_behind_and_move_nothing(chromium: Browser, house: House) -> None:
    page = opened(chromium, house)
    card, main = page.locator("#prop-lantern"), page.locator("main")
    expect(card).to_contain_text("Ready", timeout=10_000)
    box, nodes = card.bounding_box(), main.evaluate(NODES)
    go_round(page)
    go_round(page)

    expect(card).to_contain_text("Ready", timeout=10_000)
    assert abs(main.evaluate(NODES) - nodes) <= 10, "no text is left over at each update"
    assert card.bounding_box() == box
    shift = float(page.locator("html").get_attribute("data-shift") or 0)
    print(f"layout shift {shift:.3f} over two rounds")
    assert shift <= 0.05
    page.context.close()


def test_hold_becomes_release_in_its_place_and_works_again(
    chromium: Browser, own_house: House
) -> None:
    page = opened(chromium, own_house)
    acts = page.locator("#prop-owl .acts")

    for _ in range(2):
        acts.get_by_role("button", name="Hold Tin owl").click()
        expect(page.locator("#prop-owl .state")).to_contain_text("On hold")
        acts.get_by_role("button", name="Release Tin owl").click()
        expect(page.locator("#prop-owl .state")).not_to_contain_text("On hold")

    expect(page).to_have_url(f"{own_house.url}/")
    expect(page.get_by_role("status")).to_contain_text("Tin owl is released.")


def test_a_cooldown_is_changed_by_two_taps_and_taken_back_by_one(
    chromium: Browser, own_house: House
) -> None:
    page = opened(chromium, own_house, "/props/owl")

    page.get_by_role("button", name="Five seconds more").click()
    expect(page.locator("output")).to_have_text("17 s")
    page.get_by_role("button", name="Five seconds more").click()
    expect(page.locator("output")).to_have_text("22 s")
    expect(page.locator("#notice")).to_contain_text("now rests 22 s; it was 17 s")
    page.get_by_role("button", name="Undo: 17 s").click()

    expect(page.locator("output")).to_have_text("17 s")


def test_another_phone_sees_the_changed_cooldown(chromium: Browser, own_house: House) -> None:
    one = opened(chromium, own_house, "/props/owl")
    page = opened(chromium, own_house, "/props/owl")

    one.get_by_role("button", name="Five seconds less").click()
    expect(one.locator("output")).to_have_text("7 s")

    page.reload()
    expect(page.locator("output")).to_have_text("7 s")


def test_what_is_refused_says_why_on_the_page_and_keeps_what_was_typed(
    chromium: Browser, own_house: House
) -> None:
    page = opened(chromium, own_house, "/props/owl")
    field = page.locator("input[name=cooldown_s][type=number]")
    page.locator("form:has(input[type=number])").evaluate("e => { e.noValidate = true }")
    field.fill("-3")

    page.get_by_role("button", name="Set").click()

    expect(page.get_by_role("alert")).to_contain_text("cooldown_s", timeout=15_000)
    expect(field).to_have_value("-3")
    expect(page).to_have_url(re.compile("/props/owl$"))


def test_a_page_with_another_list_of_props_loads_itself_anew(
    chromium: Browser, own_house: House
) -> None:
    page = opened(chromium, own_house)
    page.locator("body").evaluate("e => { e.dataset.outline = 'of another show' }")

    expect(page.locator("body")).not_to_have_attribute(
        "data-outline", "of another show", timeout=10_000
    )
    expect(page.locator("#prop-owl")).to_be_visible()


def test_the_description_of_the_api_works_under_the_policy_and_offline(
    chromium: Browser, house: House
) -> None:
    page = context_of(chromium, house).new_page()
    said: list[str] = []
    asked: list[str] = []

    def note(message: ConsoleMessage) -> None:
        said.append(message.text)

    def noted(request: Request) -> None:
        asked.append(request.url)

    page.on("console", note)
    page.on("request", noted)
    page.goto(f"{house.url}/docs")

    stop = page.locator("details.api").filter(has_text="/api/v1/stop").first
    stop.locator("summary").click()
    expect(stop.locator("pre")).to_contain_text("curl")
    assert said == []
    outside = [url for url in asked if not url.startswith((house.url, "data:"))]
    assert outside == []
    page.context.close()


def test_a_night_that_stands_still_is_stale_though_the_stream_lives(chromium: Browser) -> None:
    house = House("still")
    try:
        house.start()
        page = opened(chromium, house)
        expect(page.locator("#stale")).to_be_hidden()
        expect(page.locator("#stale")).to_contain_text("No news for", timeout=18_000)
        assert house.metric("haunt_streams") == 1, "it was not dropped and asked for again"
        page.context.close()
    finally:
        house.end()
