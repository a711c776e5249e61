"""Goal: a thing that is dragged or nudged on the site map stands there in the show file, by 0.1 m.

Method: Chromium on a stand-in over the garden's own show file; real pointer and keys, a reload
after each. Fields and names are looked at as laid out, not as the server thinks they are.
"""

import subprocess
import sys
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Locator, Page, Route, expect

from tests.browser.house import LAPTOP, PHONE, House, Process, context_of, open_house
from tests.site.paper import seen

pytestmark = pytest.mark.browser

BOXES = """svg => [...svg.querySelectorAll('text')].filter(e => e.getClientRects().length)
  .map(e => [e.textContent, e.getBoundingClientRect()])
  .map(([words, b]) => [words, b.left, b.top, b.right, b.bottom])"""


class Plot(House):
    """The stand-in over the garden's show file."""

    def process(self) -> Process:
        return subprocess.Popen([sys.executable, "-m", "tests.site.map.standin", str(self.port)])


@pytest.fixture(scope="module")
def plot() -> Iterator[Plot]:
    with open_house(Plot()) as found:
        yield found


@pytest.fixture
def page(chromium: Browser, plot: Plot) -> Iterator[Page]:
    context = context_of(chromium, plot, size=LAPTOP)
    found = context.new_page()
    found.goto(f"{plot.url}/map")
    yield found
    context.close()


def thing(page: Page, kind: str, key: str) -> Locator:
    return page.locator(f'.thing[data-kind="{kind}"][data-key="{key}"]')


def drag(page: Page, of: Locator, right: float, up: float) -> None:
    """By metres, in several small moves."""
    box = of.locator(".grip").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    unit = page.locator("#site-map").evaluate(
        "e => Number(e.dataset.scale) * e.getBoundingClientRect().width / e.viewBox.baseVal.width"
    )
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + right * unit, y - up * unit, steps=5)
    page.mouse.up()


def test_a_dragged_prop_stands_there_for_everybody_and_comes_back_by_undo(page: Page) -> None:
    well = thing(page, "prop", "old-well")
    well.scroll_into_view_if_needed()
    drag(page, well, 2.02, 1.49)

    expect(well).to_have_attribute("data-x", "11")
    expect(well).to_have_attribute("data-y", "-0.5")
    expect(page.get_by_label("Old well, prop: x in metres")).to_have_value("11")
    page.reload()
    expect(well).to_have_attribute("data-x", "11")

    drag(page, well, 0.5, 0)
    expect(well).to_have_attribute("data-x", "11.5")
    page.get_by_role("button", name="Undo").click()
    expect(well).to_have_attribute("data-x", "11")


def test_arrow_keys_move_by_a_tenth_and_with_shift_by_a_metre(page: Page) -> None:
    fence = thing(page, "boundary", "1")
    fence.focus()
    for key in ("ArrowRight", "ArrowRight", "Shift+ArrowDown"):
        page.keyboard.press(key)
    page.keyboard.press("Enter")

    expect(fence).to_have_attribute("data-x", "12.2")
    expect(fence).to_have_attribute("data-y", "8")
    expect(page.locator("#map-said")).to_contain_text("Moved")
    expect(fence).to_be_focused()


def test_a_key_pressed_before_the_answer_came_goes_on_from_where_the_thing_was_sent(
    page: Page,
) -> None:
    fence = thing(page, "boundary", "1")
    held: list[Route] = []
    x, y = (float(fence.get_attribute(each) or "") for each in ("data-x", "data-y"))

    def hold(route: Route) -> None:
        if route.request.method == "POST" and not held:
            held.append(route)
        else:
            route.continue_()

    page.route("**/map", hold)
    fence.focus()
    with page.expect_request(lambda request: request.method == "POST"):
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Enter")
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Enter")
    held[0].continue_()

    expect(fence).to_have_attribute("data-x", f"{x + 0.1:g}")
    expect(fence).to_have_attribute("data-y", f"{y - 1:g}")


def test_a_refused_move_goes_back_and_says_why(page: Page) -> None:
    owl = thing(page, "prop", "pear-owl")
    before = owl.locator("[transform]").get_attribute("transform")
    assert before is not None
    page.locator("#places input[name=form_token]").evaluate("e => { e.value = 'of another' }")
    drag(page, owl, -1, 0)

    expect(page.locator("#map-said")).to_contain_text("Not moved")
    expect(page.locator("#map-said")).to_contain_text("Changes must come from our own pages")
    expect(owl.locator("[transform]")).to_have_attribute("transform", before)


def test_without_scripts_the_fields_move_a_thing(chromium: Browser, plot: Plot) -> None:
    context = context_of(chromium, plot, scripts=False)
    page = context.new_page()
    page.goto(f"{plot.url}/map")
    page.get_by_label("Porch organ, prop: x in metres").fill("30,4")
    page.get_by_role("button", name="Move what changed").click()

    expect(page.get_by_label("Porch organ, prop: x in metres")).to_have_value("30.4")
    expect(page.get_by_role("button", name="Undo")).to_be_visible()
    small = page.locator("#places input:visible, #places button, .see label").evaluate_all(
        "all => all.filter(e => e.getBoundingClientRect().height < 48).map(e => e.name)"
    )
    assert small == [], "targets for thumbs"
    context.close()


def test_no_name_on_the_map_covers_another(page: Page) -> None:
    for size in (LAPTOP, PHONE):
        page.set_viewport_size({"width": size["width"], "height": size["height"]})
        found = page.locator("#site-map").evaluate(BOXES)
        assert len(found) > 60, "names, levels, times and the grid's numbers"
        over = [
            (one[0], other[0])
            for n, one in enumerate(found)
            for other in found[n + 1 :]
            if min(one[3], other[3]) - max(one[1], other[1]) > 0.5
            and min(one[4], other[4]) - max(one[2], other[2]) > 0.5
        ]
        assert over == []
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def test_it_prints_on_one_sheet_of_either_paper(page: Page) -> None:
    for paper in ("A4", "Letter"):
        (sheet,) = seen(page.pdf(format=paper))
        assert sheet.width_mm > sheet.height_mm
        assert "Lamp in the shed" in sheet.text
        assert "north is not known" in sheet.text
