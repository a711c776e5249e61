"""Goal: what is at fault stands on top of the page, is said to be seen with one tap, and fits.

Method: the application in a thread with alerts of an invented evening; Chromium at 360x740.
"""

import re
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from typing import Any, Self

import pytest
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from haunt.core import events
from haunt.live.alerts.watch import AlertSeen
from haunt.live.crew import Answer, Crew, MakeEvent
from haunt.live.views import AlertView, Counters, Labels, NightView, PropWord
from haunt.site.app import create_app
from haunt.site.hub import Hub
from haunt.site.ports import Services
from tests.browser.house import LAPTOP, PHONE, THEMES, House, context_of, free_port
from tests.browser.phone import WATCH, seen
from tests.outside.registry import outside
from tests.site.night import DUSK_MS, StandInDesk, StandInKeeper, StandInReader, a_night
from tests.site.stage import an_entrance

pytestmark = pytest.mark.browser
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
START_S = 20.0
ROWS, ROW_PX = "#needs .places .need", 120
TOPS = """all => all.filter(e => e.checkVisibility())
    .map(e => e.getBoundingClientRect().top - e.parentElement.getBoundingClientRect().top)"""
TITLE = "Tonight \N{EN DASH} Walled garden"


def an_alert(number: int, **more: Any) -> AlertView:
    plain = AlertView(
        key=f"nonsense b-{number}",
        since_ms=DUSK_MS - 90_000,
        text=f"Tin owl, old pear tree: fault {number}",
        id=number,
        kind="nonsense",
        subject="b-owl",
        todo="Look at its firmware and its file.",
        last_ms=DUSK_MS,
    )
    return replace(plain, **more)


ALERTS = (
    an_alert(
        101,
        key="lost b-porter",
        kind="lost",
        subject="b-porter",
        severity="now",
        text="Gate porter, left of the gate: lost",
        todo="Check the supply of board b-porter, then its Wi-Fi.",
    ),
    an_alert(
        102,
        key="boot-loop b-owl",
        kind="boot-loop",
        severity="now",
        text="Tin owl, old pear tree: restarts by brown-out, 4 times in 2 min",
        todo="Its supply sags: charge or change the pack, check plugs and leads.",
        count=3,
    ),
    an_alert(
        103,
        key="silent pond",
        kind="silent",
        subject="pond",
        text="Sensor pond, landing: saw nothing while its neighbours saw 14 groups",
        todo="Wave before it. Look whether it is covered, turned away or unplugged.",
        over_ms=DUSK_MS - 5_000,
    ),
    an_alert(104, seen_by="Ada", seen_ms=DUSK_MS - 60_000),
)


class AlertDesk(StandInDesk):
    """A desk whose alerts can be seen."""

    def submit(
        self, make: MakeEvent, *, by: str, what: str, about: str, labels: Labels | None = None
    ) -> "Future[Answer]":
        answer = super().submit(make, by=by, what=what, about=about, labels=labels)
        self._note(self.orders[-1])
        return answer

    def _note(self, event: events.Event) -> None:
        if isinstance(event, AlertSeen):
            alerts = [
                replace(each, seen_by=event.by, seen_ms=event.wall_ms)
                if each.id == event.alert
                else each
                for each in self.view().alerts
            ]
            self.change(alerts=tuple(alerts))


class Evening:
    """The application in a thread of this process, so that a test can change what it shows."""

    def __init__(self, night: NightView) -> None:
        self.house = House(port=free_port())
        self.desk, self.hub = AlertDesk(night), Hub()
        entrance = an_entrance()
        entrance.logbook.start()
        services = Services(
            Crew(self.desk),
            StandInReader(),
            StandInKeeper(self.desk),
            self.hub,
            lambda: DUSK_MS,
            entrance,
            version="stand-in",
        )
        config = uvicorn.Config(
            create_app(services),
            "127.0.0.1",
            self.house.port,
            log_level="warning",
            timeout_graceful_shutdown=2,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        until = time.monotonic() + START_S
        while not self._server.started:
            assert time.monotonic() < until, "the server does not start"
            time.sleep(0.05)
        return self

    def __exit__(self, *_: object) -> None:
        self.hub.close_soon()
        self._server.should_exit = True
        self._thread.join(10)

    def show(self, *alerts: AlertView) -> None:
        self.desk.change(alerts=alerts)
        self.hub.notify(frozenset())


@pytest.fixture
def evening() -> Iterator[Evening]:
    with Evening(replace(a_night(), alerts=ALERTS)) as found:
        yield found


@pytest.fixture
def calm() -> Iterator[Evening]:
    """Nothing is wrong but what a test says is."""
    night = a_night()
    well = {name: each for name, each in night.boards.items() if each.here}
    ready = {
        name: replace(each, word=PropWord.READY, charge_percent=None, unconfirmed=False, rssi=None)
        for name, each in night.props.items()
        if each.board in well
    }
    with Evening(replace(night, boards=well, props=ready, alerts=(), counters=Counters())) as found:
        yield found


def opened(chromium: Browser, evening: Evening, theme: str = "night", **more: Any) -> Page:
    page = context_of(chromium, evening.house, theme, **more).new_page()
    page.goto(evening.house.url)
    return page


def test_what_is_at_fault_is_on_the_first_screen_with_what_to_do(
    chromium: Browser, evening: Evening
) -> None:
    page = opened(chromium, evening)
    first = page.locator("#needs .alert").first

    expect(first).to_contain_text("Gate porter, left of the gate")
    expect(first).to_contain_text("Check the supply of board b-porter")
    expect(first).to_contain_text("Now since 18:28, board b-porter")
    box = first.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 640
    assert page.title() == f"(4) {TITLE}"
    page.context.close()


def test_no_alert_runs_over_into_the_next(chromium: Browser, evening: Evening) -> None:
    page = opened(chromium, evening, size={"width": 360, "height": 740})
    rows = page.locator("#needs .places .alert:visible").evaluate_all(
        "all => all.map(row => row.scrollHeight - row.clientHeight)"
    )

    assert rows
    assert max(rows) <= 0
    page.context.close()


def test_seen_by_me_needs_no_script(chromium: Browser, evening: Evening) -> None:
    page = opened(chromium, evening, scripts=False)
    page.get_by_role("button", name=re.compile("^Seen by me: Gate porter")).click()

    assert page.url.rstrip("/") == evening.house.url
    expect(page.locator("#needs .strip")).to_contain_text("2 seen, not over yet")
    page.locator("#needs .strip a").click()
    seen = page.locator("#everything details.others")
    expect(seen.locator("summary")).to_have_text("2 seen, not over yet")
    seen.locator("summary").click()
    expect(seen).to_contain_text("seen by Mara")
    assert page.get_by_role("button", name=re.compile("^Seen by me: Gate porter")).count() == 0
    page.context.close()


def test_seen_by_me_updates_in_place(chromium: Browser, evening: Evening) -> None:
    page = opened(chromium, evening)
    page.evaluate("window.stays = true")
    page.get_by_role("button", name=re.compile("^Seen by me: Gate porter")).click()

    expect(page.locator("#needs .strip")).to_contain_text("2 seen, not over yet")
    expect(page.locator("#notice")).to_contain_text("seen by you")
    assert page.evaluate("window.stays") is True, "the page was not loaded anew"
    [order] = [each for each in evening.desk.orders if isinstance(each, AlertSeen)]
    assert (order.alert, order.by) == (101, "Mara")
    page.context.close()


def test_the_title_follows_the_number_of_open_alerts(chromium: Browser, evening: Evening) -> None:
    page = opened(chromium, evening)
    expect(page).to_have_title(f"(4) {TITLE}")
    evening.show(ALERTS[0])
    expect(page).to_have_title(f"(1) {TITLE}", timeout=10_000)
    evening.show()
    expect(page).to_have_title(TITLE, timeout=10_000)
    page.context.close()


def test_many_alerts_are_a_few_and_a_number(chromium: Browser, evening: Evening) -> None:
    evening.show(*(an_alert(number) for number in range(200, 240)))
    page = opened(chromium, evening)

    expect(page.locator("#needs .places > .need")).to_have_count(3)
    page.get_by_role("link", name=re.compile(r"\d\d need a person")).click()
    expect(page.locator("#everything > .alerts > .alert")).to_have_count(8)
    expect(page.get_by_text("32 more")).to_be_visible()
    page.context.close()


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_axe_finds_nothing_and_every_target_is_large(
    chromium: Browser, evening: Evening, theme: str, size: dict[str, int]
) -> None:
    page = opened(chromium, evening, theme, size=size)
    options = {"runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]}
    low = "all => all.map(e => e.getBoundingClientRect()).filter(b => b.width && b.height < 56)"
    mine = {"/": "#needs :is(button, .strip a)", "/alerts": "#everything :is(button, summary)"}
    for path, most in mine.items():
        page.goto(evening.house.url + path)
        found = Axe().run(page, options=options).response["violations"]
        assert [f"{each['id']}: {each['nodes'][0]['html'][:160]}" for each in found] == []
        outside("axe/alerts").agrees()
        buttons = page.locator(most)
        assert buttons.count() >= 3
        assert buttons.evaluate_all(low) == []
    page.context.close()


def test_alerts_fit_a_narrow_phone(chromium: Browser, evening: Evening) -> None:
    page = opened(chromium, evening, size={"width": 320, "height": 568})

    assert page.locator("html").evaluate("e => e.scrollWidth") <= 320
    page.context.close()


def test_levels_differ_by_word_and_shape_too(chromium: Browser, evening: Evening) -> None:
    page = opened(chromium, evening, "red")
    page.goto(f"{evening.house.url}/alerts")
    lines = page.locator("#everything > .alerts > .alert")

    words = lines.locator(".facts b").all_text_contents()
    shapes = lines.locator("> svg").evaluate_all("all => all.map(e => e.innerHTML)")
    assert words == ["Now", "Now", "Over"]
    assert len(set(shapes)) == 2
    page.context.close()


# --- nothing moves under a thumb


def held_still(page: Page) -> list[float]:
    """Where the cards are, and how far the browser says things have moved by themselves."""
    tops = page.locator(".card").evaluate_all("all => all.map(e => e.getBoundingClientRect().top)")
    return [*tops, round(float(seen(page)["shift"]), 3)]


@pytest.mark.parametrize("at_first", [(), ALERTS[:1], ALERTS], ids=["calm", "one", "many"])
def test_alerts_come_and_go_and_no_card_moves(
    chromium: Browser, calm: Evening, at_first: tuple[AlertView, ...]
) -> None:
    evening = calm
    evening.show(*at_first)
    context = context_of(chromium, evening.house)
    context.add_init_script(WATCH)
    page = context.new_page()
    page.goto(evening.house.url)
    before = held_still(page)

    for alerts in (ALERTS[1:], (), ALERTS, ALERTS[:1], ALERTS[2:]):
        evening.show(*alerts)
        open_now = len([each for each in alerts if not each.seen_by])
        said = f"{open_now} need" if open_now else "Nothing needs you"
        expect(page.locator("#needs .strip")).to_contain_text(said, timeout=10_000)

        tops = page.locator(ROWS).evaluate_all(TOPS)
        assert tops == [n * ROW_PX for n in range(len(tops))], "fewer rows move no other"

    after = held_still(page)
    assert after[:-1] == before[:-1]
    assert after[-1] - before[-1] <= 0.02
    context.close()


def test_a_list_waits_with_its_news_for_a_second_after_a_touch(
    chromium: Browser, calm: Evening
) -> None:
    evening = calm
    evening.show(*ALERTS)
    page = opened(chromium, evening)
    strip = page.locator("#needs .strip")
    expect(strip).to_contain_text("3 need")
    page.evaluate("window.changed = 0")
    page.locator("#needs").evaluate(
        "e => new MutationObserver(() => { window.changed = Date.now(); })"
        ".observe(e, {subtree: true, childList: true, characterData: true, attributes: true})"
    )
    page.locator("h1").tap()
    touched: float = page.evaluate("Date.now()")
    evening.show(ALERTS[0])
    expect(page).to_have_title(f"(1) {TITLE}", timeout=10_000)
    assert page.evaluate("Date.now()") - touched > 1000 or page.evaluate("window.changed") == 0

    expect(strip).to_contain_text("1 needs", timeout=10_000)
    assert page.evaluate("window.changed") - touched >= 950
    page.context.close()


def test_a_button_that_has_just_taken_anothers_place_is_not_pressed(
    chromium: Browser, evening: Evening
) -> None:
    page = opened(chromium, evening)
    page.locator("#needs").evaluate(
        "e => new MutationObserver(() => document.documentElement.dataset.turned = '1')"
        ".observe(e, {subtree: true, childList: true, characterData: true, attributes: true})"
    )
    box = page.locator("#needs .alert button").first.bounding_box()
    assert box is not None
    evening.show(ALERTS[1])
    page.locator("html[data-turned]").wait_for(timeout=10_000)
    page.touchscreen.tap(box["x"] + 20, box["y"] + 20)

    expect(page.locator("#notice")).to_contain_text("The list had just changed")
    assert not [each for each in evening.desk.orders if isinstance(each, AlertSeen)]
    page.context.close()
