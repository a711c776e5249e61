"""Goal: the show can be stopped from any page at any time, and goes on only by intent.

Method: Chromium on a phone's screen against a stand-in server of its own for each story.
"""

import re

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.house import LAPTOP, PAGES, PHONE, THEMES, House, context_of

pytestmark = pytest.mark.browser
SCROLLS = (0, 300, 100_000)


def stopped_page(chromium: Browser, house: House) -> Page:
    house.post("/stop")
    page = context_of(chromium, house).new_page()
    page.goto(house.url)
    expect(page.locator("#bar")).to_contain_text("Show stopped")
    return page


def hold_point(page: Page) -> tuple[float, float]:
    box = page.locator("[data-hold]").bounding_box()
    assert box is not None
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


@pytest.mark.parametrize("size", [PHONE, LAPTOP, {"width": 320, "height": 568}], ids=str)
def test_stop_is_in_reach_on_every_page_wherever_it_is_scrolled(
    chromium: Browser, house: House, size: dict[str, int]
) -> None:
    page = context_of(chromium, house, size=size).new_page()
    for path in PAGES:
        page.goto(house.url + path)
        for scroll in SCROLLS:
            page.mouse.wheel(0, scroll)
            box = page.get_by_role("button", name="Stop show").bounding_box()
            assert box is not None, path
            assert box["height"] >= 88, path
            assert box["width"] >= size["width"] * 0.9, path
            assert 0 <= box["y"] <= size["height"] - box["height"], (path, scroll)
            page.get_by_role("button", name="Stop show").click(trial=True)
    page.context.close()


def test_stop_works_without_scripts(chromium: Browser, own_house: House) -> None:
    page = context_of(chromium, own_house, scripts=False).new_page()
    page.goto(f"{own_house.url}/boards")

    page.get_by_role("button", name="Stop show").click()

    expect(page).to_have_url(f"{own_house.url}/boards")
    expect(page.locator("#bar")).to_contain_text("Show stopped")
    assert own_house.metric("haunt_stopped") == 1


def test_one_tap_stops_and_the_page_shows_it_without_loading_anew(
    chromium: Browser, own_house: House
) -> None:
    page = context_of(chromium, own_house).new_page()
    page.goto(own_house.url)
    page.locator("#fold, main").first.evaluate("e => { e.dataset.mark = 'same page' }")

    page.get_by_role("button", name="Stop show").tap()

    expect(page.locator("#bar")).to_contain_text("Show stopped")
    expect(page.locator("[data-mark='same page']")).to_have_count(1)
    expect(page.locator("#prop-owl")).to_contain_text("Stopped")
    assert own_house.metric("haunt_stopped") == 1


def test_a_stop_that_could_not_be_sent_says_so(chromium: Browser, own_house: House) -> None:
    page = context_of(chromium, own_house).new_page()
    page.goto(own_house.url)
    own_house.freeze()

    page.get_by_role("button", name="Stop show").tap()

    expect(page.get_by_role("button", name="Stopping")).to_be_visible()
    expect(page.get_by_role("alert").filter(has_text="NOT sent")).to_be_visible(timeout=15_000)
    expect(page.get_by_role("button", name="Stop show")).to_be_visible()


def test_everybody_sees_a_stop_and_which_board_is_silent(
    chromium: Browser, own_house: House
) -> None:
    page = context_of(chromium, own_house).new_page()
    page.goto(f"{own_house.url}/help")

    own_house.post("/stop")

    expect(page.locator("#bar")).to_contain_text("Show stopped")
    expect(page.locator("#bar")).to_contain_text("Gate porter")


def test_a_short_press_opens_the_release_page_and_releases_nothing(
    chromium: Browser, own_house: House
) -> None:
    page = stopped_page(chromium, own_house)

    page.mouse.move(*hold_point(page))
    page.mouse.down()
    page.wait_for_timeout(700)
    page.mouse.up()

    expect(page).to_have_url(re.compile(r"/release\??$"))
    assert own_house.metric("haunt_stopped") == 1

    page.get_by_role("button", name=re.compile("release all", re.IGNORECASE)).click()
    expect(page).to_have_url(f"{own_house.url}/")
    expect(page.locator("#bar")).to_contain_text("Stop show")
    assert own_house.metric("haunt_stopped") == 0


def test_a_press_of_a_second_and_a_half_releases(chromium: Browser, own_house: House) -> None:
    page = stopped_page(chromium, own_house)

    page.mouse.move(*hold_point(page))
    page.mouse.down()
    page.wait_for_timeout(1300)
    assert own_house.metric("haunt_stopped") == 1
    page.wait_for_timeout(900)
    page.mouse.up()

    expect(page.locator("#bar")).to_contain_text("Stop show")
    assert own_house.metric("haunt_stopped") == 0


def test_sliding_off_cancels_the_release(chromium: Browser, own_house: House) -> None:
    page = stopped_page(chromium, own_house)
    x, y = hold_point(page)

    page.mouse.move(x, y)
    page.mouse.down()
    page.wait_for_timeout(500)
    page.mouse.move(x, y + 300)
    page.wait_for_timeout(1800)
    page.mouse.up()

    assert own_house.metric("haunt_stopped") == 1
    expect(page).to_have_url(f"{own_house.url}/")


def test_the_stop_can_be_released_by_keyboard_alone(chromium: Browser, own_house: House) -> None:
    page = stopped_page(chromium, own_house)

    page.locator("[data-hold]").focus()
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/release\??$"))
    page.get_by_role("button", name=re.compile("release all", re.IGNORECASE)).focus()
    page.keyboard.press("Enter")

    expect(page.locator("#bar")).to_contain_text("Stop show")
    assert own_house.metric("haunt_stopped") == 0


@pytest.mark.parametrize("theme", THEMES)
def test_what_has_the_focus_is_not_under_the_stop_bar(
    chromium: Browser, house: House, theme: str
) -> None:
    page = context_of(chromium, house, theme).new_page()
    page.goto(house.url)
    page.keyboard.press("End")
    for _ in range(40):
        page.keyboard.press("Shift+Tab")
        bar, focused = page.locator("header").bounding_box(), page.locator("main :focus")
        if focused.count() == 0:
            continue
        box = focused.bounding_box()
        assert bar is not None
        assert box is not None
        assert box["y"] + box["height"] > bar["height"]
    page.context.close()
