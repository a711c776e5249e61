"""Goal: an open page tells what is now, says so when it cannot, and comes back by itself.

Method: Chromium against a stand-in that is frozen, thawed, ended and started again.
"""

import re
import time
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from tests.browser.house import House, context_of, open_house
from tests.browser.returns import KINDS, RIGHT_S, go_and_return
from tests.browser.returns import Phone as Returning

pytestmark = pytest.mark.browser
STALE_S = 6.0
MARGIN = 3.0
"""A machine busy with other tests may be three times as slow."""


def opened(chromium: Browser, house: House, path: str = "/") -> Page:
    page = context_of(chromium, house).new_page()
    page.goto(house.url + path)
    return page


def wait_for_streams(house: House, count: int, seconds: float = 10) -> None:
    until = time.monotonic() + seconds
    while house.metric("haunt_streams") != count:
        assert time.monotonic() < until, f"{house.metric('haunt_streams')} streams, not {count}"
        time.sleep(0.1)


def test_a_card_changes_by_itself_while_typed_text_keeps_the_focus(
    chromium: Browser, house: House
) -> None:
    page = opened(chromium, house, "/props/lantern")
    field = page.locator("input[name=cooldown_s][type=number]")
    card = page.locator("#prop-lantern")
    expect(card).to_contain_text("Ready", timeout=10_000)
    field.fill("33")

    expect(card).to_contain_text("Playing", timeout=10_000)
    expect(card).to_contain_text("Rest", timeout=10_000)

    expect(field).to_have_value("33")
    expect(field).to_be_focused()
    page.context.close()


def test_a_card_on_tonight_changes_and_its_digits_count_down(
    chromium: Browser, house: House
) -> None:
    page = opened(chromium, house)
    card = page.locator("#prop-lantern")
    for word in ("Ready", "Playing", "Rest"):
        expect(card).to_contain_text(word, timeout=10_000)
    digits = page.locator("#prop-ferry [data-until]")
    before = digits.text_content() or ""

    expect(digits).not_to_have_text(before, timeout=5_000)
    expect(digits).to_have_text(re.compile(r"\d+ (s|min|h)"))
    page.context.close()


def test_a_page_holds_one_stream_and_gives_it_back(chromium: Browser, own_house: House) -> None:
    page = opened(chromium, own_house)
    wait_for_streams(own_house, 1)
    page.wait_for_timeout(1500)
    assert own_house.metric("haunt_streams") == 1

    page.context.close()

    wait_for_streams(own_house, 0)


def test_a_stream_opens_however_late_its_script_comes(chromium: Browser, own_house: House) -> None:
    page = context_of(chromium, own_house).new_page()

    def late(route: Route) -> None:
        time.sleep(0.7)
        route.continue_()

    page.route("**/page.js*", late)
    page.goto(own_house.url)

    wait_for_streams(own_house, 1, seconds=4)
    page.context.close()


def test_a_stream_is_asked_for_after_all_that_a_page_is_made_of(
    chromium: Browser, own_house: House
) -> None:
    """Else a browser, and whatever measures it, takes the page for one that loads all night."""
    page = context_of(chromium, own_house).new_page()
    asked: dict[str, str] = {}
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    session.on(
        "Network.requestWillBeSent",
        lambda e: asked.update(
            {urlsplit(e["request"]["url"]).path: e["request"]["initialPriority"]}
        ),
    )
    page.goto(own_house.url)
    wait_for_streams(own_house, 1)
    expect(page.locator("#stale")).to_be_hidden()  # what the browser told meanwhile is heard now

    assert asked["/"] == "VeryHigh"
    assert asked["/stream"] == "Low"
    page.context.close()


def test_a_frozen_server_is_noticed_and_forgotten_when_it_comes_back(
    chromium: Browser, own_house: House
) -> None:
    page = opened(chromium, own_house)
    stale = page.locator("#stale")
    wait_for_streams(own_house, 1)
    expect(stale).to_be_hidden()

    own_house.freeze()
    begun = time.monotonic()
    expect(stale).to_be_visible(timeout=STALE_S * MARGIN * 1000)
    noticed_s = time.monotonic() - begun
    expect(stale).to_contain_text("No news")
    own_house.thaw()
    begun = time.monotonic()
    expect(stale).to_be_hidden(timeout=3 * MARGIN * 1000)
    back_s = time.monotonic() - begun

    print(f"stale after {noticed_s:.1f} s, gone {back_s:.1f} s after the return")
    assert noticed_s <= STALE_S * MARGIN
    card = page.locator("#prop-lantern")
    for word in ("Playing", "Rest"):
        expect(card).to_contain_text(word, timeout=10_000)
    page.context.close()


def test_a_page_comes_back_after_the_server_was_started_again(
    chromium: Browser, own_house: House
) -> None:
    pages = [opened(chromium, own_house) for _ in range(3)]
    wait_for_streams(own_house, 3)

    took_s = own_house.stop()
    assert took_s <= 3 * MARGIN, "open streams do not keep a server from ending"
    own_house.start()
    begun = time.monotonic()
    wait_for_streams(own_house, 3, seconds=5 * MARGIN)
    print(f"ended in {took_s:.1f} s, live again {time.monotonic() - begun:.1f} s after the start")

    own_house.post("/stop")
    for page in pages:
        expect(page.locator("#bar")).to_contain_text("Show stopped")
        expect(page.locator("#stale")).to_be_hidden()
        page.context.close()


def test_a_phone_that_was_away_is_soon_right_again(chromium: Browser) -> None:
    """A few of the five hundred rounds of `python -m tests.browser.returns`."""
    with open_house(House()) as house:
        context = context_of(chromium, house)
        page = context.new_page()
        page.goto(house.url)
        told = go_and_return(Returning(house, context, page), len(KINDS))
        context.close()

    print("; ".join(told.lines()))
    assert set(told.took_s) == set(KINDS)
    assert told.late(RIGHT_S * MARGIN) == 0


def test_tonight_can_be_read_and_used_without_scripts(chromium: Browser, own_house: House) -> None:
    page = context_of(chromium, own_house, scripts=False).new_page()
    page.goto(f"{own_house.url}/props/owl")

    page.locator("#prop-owl").get_by_role("button", name=re.compile("^Hold")).first.click()
    expect(page.locator("#prop-owl")).to_contain_text("On hold")
    page.locator("input[name=cooldown_s][type=number]").fill("21")
    page.get_by_role("button", name="Set").click()
    expect(page.locator("input[name=cooldown_s][type=number]")).to_have_value("21")
    page.context.close()
