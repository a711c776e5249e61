"""Goal: a show is planned by thumb or keyboard, with scripts or without, and nothing typed is lost.

Method: Chromium on the plan's pages over a real keeper and store, served from this process.
"""

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, Route, expect

from tests.browser.house import House, context_of, free_port
from tests.browser.test_looks import SMALL, TARGETS, violations
from tests.site.plan.stage import FAULTY, GARDEN, Parts, the_parts

pytestmark = pytest.mark.browser
PAGES = (
    "/plan",
    "/plan/props/gatekeeper",
    "/plan/props/new",
    "/plan/boards/gate",
    "/plan/limits",
    "/plan/history",
    "/plan/import",
    "/plan/notes",
)
TYPED = """(field, texts) => { for (const text of texts) {
    field.value = text;
    field.dispatchEvent(new Event('input', {bubbles: true}));
} }"""


@dataclass(slots=True)
class OwnHouse(House):
    """Stands where the stand-in would, in this process."""

    parts: Parts | None = None


@contextmanager
def serving(text: str) -> Iterator[OwnHouse]:
    parts, port = the_parts(text), free_port()
    config = uvicorn.Config(
        parts.app, "127.0.0.1", port, log_level="warning", timeout_graceful_shutdown=1
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    house = OwnHouse(port=port, parts=parts)
    while not house.answers():
        assert thread.is_alive(), "the server ended at once"
    yield house
    parts.hub.close_soon()
    server.should_exit = True
    thread.join(10)
    assert not thread.is_alive()
    parts.engine.dispose()


@pytest.fixture(scope="module")
def garden() -> Iterator[OwnHouse]:
    with serving(GARDEN) as found:
        yield found


@pytest.fixture(scope="module")
def yard() -> Iterator[OwnHouse]:
    with serving(FAULTY) as found:
        yield found


def opened(chromium: Browser, house: House, path: str, *, scripts: bool = True) -> Page:
    page = context_of(chromium, house, scripts=scripts).new_page()
    page.goto(house.url + path)
    return page


def text_of(house: OwnHouse) -> str:
    assert house.parts is not None
    return house.parts.keeper.toml()


def test_what_is_typed_is_weighed_beside_the_field_and_the_field_keeps_text_and_focus(
    chromium: Browser, yard: OwnHouse
) -> None:
    page = opened(chromium, yard, "/plan/props/gatekeeper")
    asked: list[str] = []
    page.on("request", lambda each: asked.append(each.url) if "/check" in each.url else None)
    beside = page.locator("#said-duty")
    expect(beside).to_contain_text("its plate allows 25 %")
    field = page.locator("#duty")

    field.click()
    field.evaluate(TYPED, ["0", "0.", "0.9"])

    expect(beside).to_be_empty(timeout=10_000)
    expect(page.locator("#plan-sums")).to_contain_text("1 finding goes away")
    expect(field).to_be_focused()
    expect(field).to_have_value("0.9")
    assert len(asked) == 1, "it waits until the typing rests"
    field.press_sequentially("x")
    expect(beside).to_contain_text("Is '0.9x'. Allowed: a number", timeout=10_000)
    expect(page.locator("#plan-count")).to_contain_text("1 to mend")
    assert violations(page) == []
    assert text_of(yard) == FAULTY
    page.context.close()


def test_one_question_at_a_time_and_the_last_one_counts(chromium: Browser, yard: OwnHouse) -> None:
    page = opened(chromium, yard, "/plan/props/gatekeeper")
    held: list[Route] = []
    page.route("**/check", lambda route: held.append(route))  # noqa: PLW0108 - it marks it
    field, beside = page.locator("#duty"), page.locator("#said-duty")

    with page.expect_request("**/check"):
        field.fill("0.8")
    for typed in ("0.7", "7", "8"):
        field.fill(typed)
        page.wait_for_timeout(600)  # longer than typing rests
    assert len(held) == 1
    with page.expect_request("**/check") as last:
        held[0].continue_()
    assert "duty=8&" in str(last.value.post_data)
    for _ in range(100):
        if len(held) < 2:  # the request is told before it is held
            page.wait_for_timeout(20)
    held[1].continue_()

    expect(beside).to_contain_text("Is 8. Allowed: at most 1.")
    assert len(held) == 2
    page.context.close()


def test_a_change_is_saved_by_one_tap_and_taken_back_by_one(
    chromium: Browser, garden: OwnHouse
) -> None:
    page = opened(chromium, garden, "/plan/props/gatekeeper")
    page.locator("#cooldown_s").fill("21")
    page.get_by_role("button", name="Save").click()
    flash = page.locator(".plan-flash")
    expect(flash).to_contain_text("Prop gatekeeper: Cooldown 18 s → 21 s")
    assert "cooldown_s = 21" in text_of(garden)

    flash.get_by_role("button", name="Undo").click()

    expect(flash).to_contain_text("Cooldown 21 s → 18 s")
    expect(page.locator("#cooldown_s")).to_have_value("18")
    assert text_of(garden) == GARDEN
    page.context.close()


def test_without_scripts_it_is_checked_mended_and_a_file_comes_in(
    chromium: Browser, garden: OwnHouse, tmp_path: Path
) -> None:
    page = opened(chromium, garden, "/plan/boards/well", scripts=False)
    page.locator("#battery-capacity_mah").fill("300")
    page.get_by_role("button", name="Check").click()
    expect(page.locator("#plan-sums")).to_contain_text("lasts till close with P under 0.01")
    expect(page.locator("#battery-capacity_mah")).to_have_value("300")
    page.locator("#idle_ma").fill("lots")
    page.get_by_role("button", name="Save").click()
    expect(page).to_have_title(re.compile("^Error: Board well"))
    expect(page.locator("#said-idle_ma")).to_contain_text("Is 'lots'. Allowed: a number.")
    assert text_of(garden) == GARDEN

    file = tmp_path / "show.toml"
    file.write_text(GARDEN.replace("cooldown_s = 18", "cooldown_s = 19"))
    page.goto(f"{garden.url}/plan/import")
    page.locator("input[type=file]").set_input_files(file)
    page.get_by_role("button", name="Look at it").click()
    expect(page.locator(".plan-changes")).to_contain_text("Cooldown 18 s → 19 s")
    page.get_by_role("button", name="Take it").click()
    page.get_by_role("button", name="Undo").click()
    assert text_of(garden) == GARDEN
    page.context.close()


def test_a_page_with_a_form_stays_when_the_list_of_props_changes(
    chromium: Browser, garden: OwnHouse
) -> None:
    page = opened(chromium, garden, "/plan/props/new")
    page.locator("#name").fill("Rat")
    page.locator("body").evaluate("e => { e.dataset.marked = 'yes' }")

    with page.expect_event("console", lambda said: said.text == "ticked", timeout=10_000):
        page.locator("#stream").evaluate(
            "e => e.addEventListener('tick', () => setTimeout(() => console.log('ticked'), 200))"
        )

    expect(page.locator("#name")).to_have_value("Rat")
    expect(page.locator("body")).to_have_attribute("data-marked", "yes")
    page.context.close()


def test_every_page_of_the_plan_fits_is_large_enough_and_breaks_no_rule(
    chromium: Browser, yard: OwnHouse
) -> None:
    page = context_of(chromium, yard, size={"width": 320, "height": 568}).new_page()
    said: list[str] = []
    page.on("console", lambda each: said.append(each.text) if each.type == "error" else None)
    for path in PAGES:
        page.goto(yard.url + path)
        assert page.locator("html").evaluate("e => e.scrollWidth") <= 320, path
        assert page.locator("main button, main .button").evaluate_all(SMALL, 56) == [], path
        assert page.locator(TARGETS).evaluate_all(SMALL, 48) == [], path
        assert violations(page) == [], path
    assert said == []
    page.context.close()
