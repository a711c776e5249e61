"""Goal: coming in works in the dark with cold thumbs and without scripts; a role shows on pages.

Method: Chromium on a phone's screen against the stand-in, where Mara has a password and a code
lets crew in.
"""

import re
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, expect

from tests.browser.house import THEMES, House, brightness, context_of
from tests.browser.test_looks import SMALL, TARGETS, violations
from tests.site.standin import CODE, PASSWORD

pytestmark = pytest.mark.browser
DOORS = ("/sign-in", f"/join?code={CODE}", "/join?code=spent", "/log?prop=owl")


@pytest.fixture
def stranger(chromium: Browser, own_house: House) -> Iterator[Page]:
    context = context_of(chromium, own_house, scripts=False, role="")
    yield context.new_page()
    context.close()


def refused(page: Page, house: House) -> None:
    """Send a password that is wrong."""
    page.goto(f"{house.url}/sign-in")
    page.get_by_label("Name").fill("Mara")
    page.get_by_label("Password").fill("a wrong guess")
    page.get_by_role("button", name="Sign in").click()


def test_who_signs_in_without_scripts_is_led_back_to_where_they_wanted(
    stranger: Page, own_house: House
) -> None:
    stranger.goto(f"{own_house.url}/log?prop=owl")
    expect(stranger).to_have_url(re.compile(r"/sign-in\?next="))

    stranger.get_by_label("Name").fill("mara")
    stranger.get_by_label("Password").fill(PASSWORD)
    stranger.get_by_label("Password").press("Enter")

    expect(stranger).to_have_url(f"{own_house.url}/log?prop=owl")
    stranger.get_by_role("button", name="Stop show").click()
    expect(stranger.locator("#bar")).to_contain_text("Show stopped by Mara")


def test_a_wrong_password_says_so_where_it_is_seen_and_keeps_the_name(
    stranger: Page, own_house: House
) -> None:
    refused(stranger, own_house)

    alert = stranger.get_by_role("alert")
    expect(alert).to_have_text("Name or password is wrong.")
    box = alert.bounding_box()
    assert box is not None
    assert box["y"] < 300
    expect(stranger).to_have_title(re.compile("^Error: "))
    expect(stranger.get_by_label("Name")).to_have_value("Mara")
    expect(stranger.get_by_label("Password")).to_have_value("")


def test_a_scanned_code_needs_three_taps_and_the_session_works_all_over(
    stranger: Page, own_house: House
) -> None:
    stranger.goto(f"{own_house.url}/join?code={CODE}")
    stranger.get_by_label("Your name").fill("Tamsin")
    stranger.get_by_label("A password").fill("eight lamps in a row")
    stranger.get_by_role("button", name="Join").click()

    expect(stranger).to_have_url(f"{own_house.url}/")
    stranger.get_by_role("button", name="Hold Tin owl").click()
    expect(stranger.locator("#prop-owl .state")).to_contain_text("by Tamsin")
    stranger.get_by_role("link", name="Tamsin, crew").click()
    stranger.get_by_role("button", name="Sign out", exact=True).click()
    expect(stranger).to_have_url(re.compile("/sign-in$"))
    stranger.goto(own_house.url)
    expect(stranger).to_have_url(re.compile("/sign-in$"))


@pytest.mark.parametrize("theme", THEMES)
def test_the_doors_are_readable_large_and_break_no_policy(
    chromium: Browser, house: House, theme: str
) -> None:
    page = context_of(chromium, house, theme, role="").new_page()
    said: list[str] = []

    def note(message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and "status of 4" not in message.text:
            said.append(message.text)

    page.on("console", note)
    for path in DOORS:
        page.goto(house.url + path)
        assert violations(page) == [], path
        assert page.locator("button, .button").evaluate_all(SMALL, 56) == [], path
        assert page.locator(TARGETS).evaluate_all(SMALL, 48) == [], path
        if theme != "light":
            assert brightness(page) <= 40, path
    refused(page, house)
    assert violations(page) == []
    assert said == []
    page.context.close()


def test_no_frame_on_the_way_in_is_bright(chromium: Browser, house: House) -> None:
    page = context_of(chromium, house, role="").new_page()
    for path in ("/", f"/join?code={CODE}", "/join?code=spent"):
        page.goto(house.url + path, wait_until="commit")
        assert brightness(page) <= 40, path
    page.context.close()


def test_the_doors_do_not_scroll_sideways_at_320_pixels(chromium: Browser, house: House) -> None:
    page = context_of(chromium, house, size={"width": 320, "height": 568}, role="").new_page()
    for path in DOORS:
        page.goto(house.url + path)
        assert page.locator("html").evaluate("e => e.scrollWidth") <= 320, path
    page.context.close()


def test_who_watches_has_the_stop_and_no_control_that_would_refuse(
    chromium: Browser, own_house: House
) -> None:
    page = context_of(chromium, own_house, role="watch").new_page()
    for path in ("/", "/props/owl"):
        page.goto(own_house.url + path)
        shown = page.locator("main button:visible, main .acts .button:visible")
        assert shown.all_inner_texts() == [], path
    page.get_by_role("button", name="Stop show").click()
    expect(page.locator("#bar")).to_contain_text("Show stopped by Wren")

    page.locator("[data-hold]").focus()
    page.keyboard.press("Enter")

    expect(page.locator("h1")).to_have_text("Only for crew")
    assert own_house.metric("haunt_stopped") == 1


def test_holding_release_as_who_watches_says_why_not(chromium: Browser, own_house: House) -> None:
    own_house.post("/stop")
    page = context_of(chromium, own_house, role="watch").new_page()
    page.goto(own_house.url)
    box = page.locator("[data-hold]").bounding_box()
    assert box is not None

    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.wait_for_timeout(2000)
    page.mouse.up()

    expect(page.get_by_role("alert").filter(has_text="this needs crew")).to_be_visible()
    assert own_house.metric("haunt_stopped") == 1


def test_a_stop_after_the_session_has_ended_says_that_it_was_not_done(
    chromium: Browser, own_house: House
) -> None:
    context = context_of(chromium, own_house, role="crew")
    page = context.new_page()
    page.goto(own_house.url)
    context.clear_cookies(name=f"haunt-{own_house.port}")

    page.get_by_role("button", name="Stop show").click()

    expect(page.get_by_role("alert")).to_contain_text("Sign in first")
    assert own_house.metric("haunt_stopped") == 0


def test_an_owner_makes_a_code_that_another_phone_comes_in_by(
    chromium: Browser, own_house: House
) -> None:
    owner = context_of(chromium, own_house).new_page()
    owner.goto(f"{own_house.url}/people")
    owner.get_by_role("button", name="Make a code to scan").click()
    picture = owner.locator("svg.qr").bounding_box()
    assert picture is not None
    assert min(picture["width"], picture["height"]) >= 240, "a phone scans it from another screen"
    url = owner.locator(".long code").inner_text()

    phone = context_of(chromium, own_house, "red", role="").new_page()
    phone.goto(url)
    phone.get_by_label("Your name").fill("Ida")
    phone.get_by_role("button", name="Join").click()

    expect(phone.get_by_role("link", name="Ida, watch")).to_be_visible()
    owner.goto(f"{own_house.url}/people")
    expect(owner.get_by_role("link", name="Ida", exact=True)).to_be_visible()
