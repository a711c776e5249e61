"""Goal: what is done at half past eight takes few taps and seconds; a walk test can be followed.

Method: Chromium at 360x740 does each task as a thumb would; taps are counted, and seconds are the
machine's own beside those of a thumb: 1.1 s to aim and tap, 1.35 s to think before each, 0.5 s a
typed letter (keystroke-level model, values from memory).
"""

import re
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from haunt.live.views import AlertView
from tests.browser.house import PHONE, House, brightness, context_of
from tests.browser.test_alerts import Evening
from tests.browser.test_looks import SMALL, TARGETS, violations
from tests.site.night import DUSK_MS, a_night
from tests.site.standin import CODE

pytestmark = pytest.mark.browser
TAP_S, THINK_S, LETTER_S = 1.1, 1.35, 0.5
BUSY = 3.0
"""A machine busy with other tests may be three times as slow."""
OWN = ("/before", "/walk")
TONES = """() => {
  const kind = AudioContext.prototype, make = kind.createOscillator;
  window.tones = 0;
  kind.createOscillator = function () { window.tones += 1; return make.call(this); };
}"""


@dataclass(slots=True)
class Thumb:
    """Counts what a person does, and what it would take them."""

    task: str
    taps: int = 0
    letters: int = 0
    begun: float = field(default_factory=time.monotonic)

    def tap(self, what: Locator) -> None:
        self.taps += 1
        what.click()

    def type(self, where: Locator, text: str) -> None:
        self.letters += len(text)
        where.fill(text)

    def done(self) -> float:
        machine_s = time.monotonic() - self.begun
        person_s = self.taps * (TAP_S + THINK_S) + self.letters * LETTER_S
        print(
            f"{self.task}: {self.taps} taps, {self.letters} letters, about {person_s:.1f} s of a "
            f"person and {machine_s:.1f} s of the machine"
        )
        return person_s + machine_s


@pytest.fixture
def page(chromium: Browser, house: House) -> Iterator[Page]:
    context = context_of(chromium, house)
    found = context.new_page()
    found.goto(house.url)
    yield found
    context.close()


@pytest.fixture
def evening() -> Iterator[Evening]:
    with Evening(a_night()) as found:
        yield found


def test_a_lost_prop_is_found_with_its_place_and_what_to_do(page: Page) -> None:
    thumb = Thumb("find a lost prop")
    lost = page.locator("#needs .places > .need").filter(has_text="Gate porter")
    box = lost.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= PHONE["height"], "no scrolling"
    expect(lost).to_contain_text("left of the gate")
    expect(lost).to_contain_text("Check the supply of board b-porter")
    thumb.tap(lost.get_by_role("link"))
    expect(page.locator("#prop-porter")).to_contain_text("Lost")

    assert thumb.taps <= 2
    assert thumb.done() <= 10 * BUSY


def test_a_cooldown_is_changed_and_changed_back(page: Page) -> None:
    thumb = Thumb("change a cooldown")
    thumb.tap(page.get_by_role("link", name="Tin owl").last)
    thumb.tap(page.get_by_role("button", name="Five seconds more"))
    expect(page.locator("output")).to_have_text("17 s")
    assert thumb.taps <= 4
    assert thumb.done() <= 15 * BUSY

    thumb.tap(page.get_by_role("button", name="Undo: 12 s"))
    expect(page.locator("output")).to_have_text("12 s")


def test_why_it_did_not_fire_is_three_taps_away_at_most(page: Page) -> None:
    thumb = Thumb("why it did not fire")
    thumb.tap(page.get_by_role("link", name="Ferryman").last)
    reason = page.locator(".log li", has_text="Refused: ").first
    expect(reason).to_contain_text("would")
    thumb.tap(reason.get_by_role("link", name="The rule"))
    expect(page).to_have_url(re.compile(r"/manual/rules#rule-"))

    assert thumb.taps <= 3
    assert thumb.done() <= 15 * BUSY


def test_a_helper_joins_by_the_code_on_the_card(chromium: Browser, house: House) -> None:
    context = context_of(chromium, house, role="")
    page, thumb = context.new_page(), Thumb("join")
    thumb.taps += 1  # the phone offers what it read off the card
    page.goto(f"{house.url}/join?code={CODE}")
    thumb.type(page.get_by_label("Your name"), "Tam")
    thumb.type(page.get_by_label("A password"), "ten lamps!")
    thumb.tap(page.get_by_role("button", name="Join"))
    expect(page.get_by_role("button", name="Stop show")).to_be_visible()

    assert thumb.done() <= 30 * BUSY
    context.close()


def test_all_props_are_held_for_a_frightened_child_with_one_tap(
    chromium: Browser, evening: Evening
) -> None:
    context = context_of(chromium, evening.house)
    page = context.new_page()
    page.goto(evening.house.url)
    thumb = Thumb("hold all 60 s")
    thumb.tap(page.get_by_role("button", name="Hold all 60 s"))
    expect(page.locator("#notice")).to_contain_text("All props are on hold for 60 s")

    assert thumb.taps == 1
    assert thumb.done() <= 5 * BUSY
    context.close()


def test_who_works_on_a_prop_says_so_with_two_taps(page: Page) -> None:
    thumb = Thumb("lock out")
    thumb.tap(page.get_by_role("link", name="Spider loom").last)
    thumb.tap(page.get_by_role("button", name="I work on Spider loom"))
    expect(page.locator("#hands-loom")).to_contain_text("Mara works on it")
    expect(page.locator("#prop-loom")).to_contain_text("Locked out")

    assert thumb.taps <= 2
    assert thumb.done() <= 10 * BUSY


# --- the walk test


def test_a_hit_stands_big_on_the_phone_and_the_walk_ends_by_one_tap(
    chromium: Browser, evening: Evening
) -> None:
    context = context_of(chromium, evening.house)
    page = context.new_page()
    page.goto(f"{evening.house.url}/walk")
    page.get_by_role("button", name="Begin walk test").click()
    expect(page.get_by_role("button", name="End walk test")).to_be_visible()
    begun = time.monotonic()
    evening.desk.see("owl-eye", hits=2)
    evening.hub.notify(frozenset())

    expect(page.locator(".hit .big")).to_have_text("owl-eye", timeout=1000 * BUSY)
    print(f"hit on the page after {time.monotonic() - begun:.2f} s")
    size = page.locator(".hit .big").evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
    assert size >= 40
    page.goto(evening.house.url)
    expect(page.locator("#needs")).to_contain_text("nothing fires")
    page.get_by_role("button", name="End test").click()
    expect(page.locator("#needs")).not_to_contain_text("nothing fires")
    context.close()


def test_hits_are_heard_only_by_who_asked_for_it(chromium: Browser, evening: Evening) -> None:
    context = context_of(chromium, evening.house)
    context.add_init_script(f"({TONES})()")
    page = context.new_page()
    page.goto(f"{evening.house.url}/walk")
    sound = page.locator("main [data-sound]")
    expect(sound).to_have_attribute("aria-pressed", "false")

    def hit(sensor: str) -> int:
        evening.desk.see(sensor)
        evening.hub.notify(frozenset())
        expect(page.locator(".hit .big")).to_have_text(sensor, timeout=1000 * BUSY)
        found: int = page.evaluate("window.tones")
        return found

    assert hit("owl-eye") == 0
    sound.click()
    expect(sound).to_have_attribute("aria-pressed", "true")
    tapped: int = page.evaluate("window.tones")
    assert hit("bell-eye") == tapped + 1
    sound.click()
    assert hit("owl-eye") == tapped + 1
    context.close()


def test_a_new_alert_is_in_the_title_of_every_page_and_heard_where_sound_is_on(
    chromium: Browser, evening: Evening
) -> None:
    context = context_of(chromium, evening.house)
    context.add_init_script(f"({TONES})()")
    page = context.new_page()
    page.goto(f"{evening.house.url}/boards")
    page.locator("footer [data-sound]").click()
    expect(page).to_have_title(re.compile(r"^Boards"))
    page.wait_for_function("localStorage.getItem('haunt-heard') !== null")
    before: int = page.evaluate("window.tones")
    one = AlertView("lost b", DUSK_MS, "Tin owl: lost", 7, kind="lost", severity="now")
    evening.show(one)

    expect(page).to_have_title(re.compile(r"^\(1\) Boards"), timeout=3000 * BUSY)
    assert page.evaluate("window.tones") == before + 3, "a pressing one is heard thrice"
    evening.show(one, AlertView("nonsense b", DUSK_MS, "nonsense", 8))
    expect(page).to_have_title(re.compile(r"^\(2\) Boards"), timeout=3000 * BUSY)
    assert page.evaluate("window.tones") == before + 4
    page.reload()
    expect(page.locator("footer [data-sound]")).to_have_attribute("aria-pressed", "true")
    context.close()


def test_a_tick_by_thumb_is_kept_without_leaving_the_page(page: Page, house: House) -> None:
    page.goto(f"{house.url}/before")
    line = page.locator("#line-water")
    line.get_by_role("button", name=re.compile("^Tick")).click()
    expect(line).to_contain_text("Ticked by Mara")
    expect(page.locator("#ticks-open")).to_contain_text("13 of 14")
    page.reload()
    line.get_by_role("button", name=re.compile("^Untick")).click()
    expect(line).not_to_contain_text("Ticked by")


def test_both_pages_work_without_scripts(chromium: Browser, evening: Evening) -> None:
    context = context_of(chromium, evening.house, scripts=False)
    page = context.new_page()
    page.goto(f"{evening.house.url}/before")
    page.locator("#line-water").get_by_role("button").click()
    expect(page.locator("#line-water")).to_contain_text("Ticked by Mara")
    page.goto(f"{evening.house.url}/walk")
    page.get_by_role("button", name="Begin walk test").click()
    expect(page.get_by_role("button", name="End walk test")).to_be_visible()
    page.locator("#range-owl-eye summary").click()
    page.locator("#range-owl-eye").get_by_label("Metres").fill("5.5")
    page.locator("#range-owl-eye").get_by_role("button").click()
    expect(page.locator("#range-owl-eye")).to_contain_text("5.5 m")
    context.close()


@pytest.mark.parametrize("theme", ["night", "red"])
def test_both_pages_can_be_read_and_pressed_in_the_dark(
    chromium: Browser, house: House, theme: str
) -> None:
    context = context_of(chromium, house, theme)
    page = context.new_page()
    for path in OWN:
        page.goto(house.url + path)
        assert violations(page) == [], path
        assert page.locator("button, .button").evaluate_all(SMALL, 56) == [], path
        assert page.locator(TARGETS).evaluate_all(SMALL, 48) == [], path
        page.set_viewport_size({"width": 320, "height": 568})
        assert page.locator("html").evaluate("e => e.scrollWidth") <= 320, path
        page.set_viewport_size({"width": PHONE["width"], "height": PHONE["height"]})
    context.close()


def test_no_page_flashes_white_at_night_not_even_one_that_fails(
    chromium: Browser, house: House
) -> None:
    context = context_of(chromium, house)
    page = context.new_page()
    for path in ("/walk", "/docs", "/nothing", "/link?code=spent"):
        page.goto(house.url + path, wait_until="commit")
        first = brightness(page)
        page.wait_for_load_state("load")
        assert max(first, brightness(page)) <= 40, path
    context.close()
