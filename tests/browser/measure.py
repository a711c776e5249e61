"""Measures what people would feel, in Chromium, on the whole program.

`python -m tests.browser.measure`; words choose sections: `measure taps live`.

It prints one line a figure with its aim, and exits 1 where an aim is missed. With LIGHTHOUSE=PATH
of its command (12.2, from npm) its scores come too.
"""

import json
import os
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from playwright.sync_api import Browser, Page, expect, sync_playwright

from haunt.site.rights import RIGHTS
from tests.browser.evening import RealHouse
from tests.browser.house import LAPTOP, THEMES, brightness, context_of
from tests.browser.phone import loaded, night_phone, seen
from tests.browser.test_looks import SMALL, TARGETS, violations

NO_PAGE = ("/api/", "/static/", "/schemas/", "/stream", "/livez", "/readyz", "/healthz", "/metrics")
NOT_HTML = (
    ".csv", ".json", ".pdf", ".toml", ".pem", "/weighed", "/outlook", "/lines/work",
)  # fmt: skip
DOORS = {"/sign-in", "/set-up", "/join", "/link"}
HERE = {
    "prop": "gatekeeper", "board": "well", "chapter": "rules", "version": "1", "table": "prop",
    "row": "gatekeeper",
}  # fmt: skip
FIRST = ("/", "/log", "/props/gatekeeper", "/boards", "/counts", "/packs")
LOOKS = {
    "axe": "axe violations, our pages in every theme",
    "small": "targets under 48 px",
    "close": "buttons nearer to each other than 12 px",
    "wide": "wider than 320 px",
    "large text": "wider with text at 200 %",
    "bright": "night pages over grey 40",
}
LIVE_S = 300
GAP_PX = 12
CLOSE = """(all, least) => {
  const boxes = [...all].filter(e => e.checkVisibility() && !e.closest('.hidden'))
    .map(e => [e, e.getBoundingClientRect()]);
  const apart = (a, b) => Math.max(a.left - b.right, b.left - a.right, a.top - b.bottom, b.top - a.bottom);
  return boxes.flatMap(([e, a], n) => boxes.slice(n + 1).filter(([, b]) => apart(a, b) < least - .5)
    .map(([f]) => `${e.textContent.trim().slice(0, 20)} | ${f.textContent.trim().slice(0, 20)}`));
}"""  # noqa: E501
UNFOLD = "all => all.forEach(e => { e.open = true; })"
TAPS = 20
Section = Callable[["Bench"], None]


@dataclass(slots=True)
class Figure:
    what: str
    value: float
    aim: float
    unit: str
    more: str = ""

    @property
    def holds(self) -> bool:
        return self.value <= self.aim


@dataclass(slots=True)
class Bench:
    browser: Browser
    house: RealHouse
    figures: list[Figure] = field(default_factory=list)

    def note(self, what: str, value: float, aim: float, unit: str, more: str = "") -> None:
        found = Figure(what, value, aim, unit, more)
        self.figures.append(found)
        word = "ok  " if found.holds else "OVER"
        print(f"{word} {what}: {value:g} {unit} (aim {aim:g}) {more}".rstrip(), flush=True)


def pages() -> list[str]:
    """Every page of the table of rights that can be opened without knowing an id by chance."""
    found = []
    for right in RIGHTS:
        path = right.path
        if right.method != "GET" or path.startswith(NO_PAGE) or path.endswith(NOT_HTML):
            continue
        for name, value in HERE.items():
            path = path.replace(f"{{{name}}}", value)
        if "{" not in path and path not in DOORS:
            found.append(path)
    return found


def p75(values: list[float]) -> float:
    return sorted(values)[int(0.75 * len(values))]


# --- sections


def first_view(bench: Bench) -> None:
    """Rows 1 and 4: when the largest thing is there, and what all of it weighs."""
    times, worst = [], ("", 0.0)
    for path in FIRST:
        for _ in range(5):
            with night_phone(bench.browser, bench.house) as (_context, page, _net):
                loaded(page, bench.house.url + path, 1200)
                times.append(float(seen(page)["lcp"]))
                worst = max(worst, (path, times[-1]), key=lambda each: each[1])
    bench.note("LCP p75, night phone", p75(times), 1000, "ms", f"{len(times)} cold loads")
    bench.note("LCP worst, night phone", worst[1], 2500, "ms", worst[0])


def weight(bench: Bench) -> None:
    heavy, requests, faults = ("", 0), ("", 0), []
    for path in pages():
        with night_phone(bench.browser, bench.house, slow=False) as (_context, page, net):
            status = loaded(page, bench.house.url + path)
            heavy = max(heavy, (path, net.bytes), key=lambda each: each[1])
            if path in FIRST:
                requests = max(requests, (path, len(net.urls) - 1), key=lambda each: each[1])
            faults += [f"{path} {each}" for each in (*net.foreign(bench.house), *net.said)]
            faults += [f"{path} {status}"] if status != 200 else []
    which = f"{heavy[0]}, {len(pages())} pages"
    bench.note("heaviest page with everything", heavy[1] / 1000, 60, "kB gz", which)
    bench.note("requests after the first, night pages", requests[1], 4, "", requests[0])
    bench.note("foreign hosts, console errors, not 200", len(faults), 0, "", "; ".join(faults[:4]))


def taps(bench: Bench) -> None:
    """Row 2: twenty taps on Tonight and on a prop's page."""
    kept: list[float] = []
    for _ in range(2):
        with night_phone(bench.browser, bench.house) as (_context, page, _net):
            loaded(page, bench.house.url, 2500)
            for n in range(TAPS // 4):
                page.locator(".card .acts button").nth(n % 4).tap()
                page.wait_for_timeout(700)
            kept += list(seen(page)["taps"].values())
            loaded(page, f"{bench.house.url}/props/gatekeeper", 2000)
            for n in range(TAPS // 4):
                page.locator(".stepper button").nth(n % 2).tap()
                page.wait_for_timeout(700)
            kept += list(seen(page)["taps"].values())
    bench.note("INP p75", p75(kept), 100, "ms", f"{len(kept)} taps, night phone")
    bench.note("slowest tap", max(kept), 200, "ms")


def live(bench: Bench) -> None:
    """Row 3: the page while boards and visitors are at work."""
    with night_phone(bench.browser, bench.house) as (_context, page, _net):
        loaded(page, bench.house.url, 1000 * LIVE_S)
        shift = float(seen(page)["shift"])
    bench.note("CLS over live updates", round(shift, 4), 0.02, "", f"{LIVE_S} s")


def server(bench: Bench) -> None:
    """Row 6: the server's own time."""
    slow: list[tuple[float, str]] = []
    for path in pages():
        for _ in range(10):
            began = time.perf_counter()
            with urllib.request.urlopen(bench.house.url + path) as answer:
                answer.read()
            slow.append(((time.perf_counter() - began) * 1000, path))
    slow.sort()
    at = slow[int(0.95 * len(slow))]
    worst = ", ".join(dict.fromkeys(f"{path}" for _, path in reversed(slow[-40:])))
    bench.note("HTML p95 by the server", round(at[0]), 100, "ms", f"slowest: {worst}"[:160])


def looks(bench: Bench) -> None:
    """Rows 15 to 17, 19 and 21, on every page in every theme."""
    found: dict[str, list[str]] = {name: [] for name in LOOKS}
    for theme in THEMES:
        context = context_of(bench.browser, bench.house, theme)
        page = context.new_page()
        for path in pages():
            loaded(page, bench.house.url + path, 150)
            page.locator("details").evaluate_all(UNFOLD)
            found["axe"] += [f"{theme} {path} {each}" for each in violations(page)]
            if theme == "night":
                _boxes(page, path, found)
        context.close()
    for name, what in LOOKS.items():
        bench.note(what, len(found[name]), 0, "", "; ".join(found[name][:3])[:300])


def _boxes(page: Page, path: str, found: dict[str, list[str]]) -> None:
    small = page.locator(TARGETS).evaluate_all(SMALL, 48)
    found["small"] += [f"{path} {each}" for each in small]
    close = page.locator("button, .button").evaluate_all(CLOSE, GAP_PX)
    found["close"] += [f"{path} {each}" for each in close]
    if brightness(page) > 40:
        found["bright"].append(path)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    if _width(page) > 360:
        found["large text"].append(f"{path} {_width(page)}")
    page.evaluate("document.documentElement.style.fontSize = ''")
    page.set_viewport_size({"width": 320, "height": 568})
    if _width(page) > 320:
        found["wide"].append(f"{path} {_width(page)}")
    page.set_viewport_size({"width": 360, "height": 740})


def _width(page: Page) -> int:
    found: int = page.evaluate("document.documentElement.scrollWidth")
    return found


def zoom(bench: Bench) -> None:
    """A laptop at 200 %: half as many pixels, each twice as large."""
    context = bench.browser.new_context(
        viewport={"width": LAPTOP["width"] // 2, "height": LAPTOP["height"] // 2},
        device_scale_factor=2,
    )
    page, wide = context.new_page(), []
    for path in pages():
        loaded(page, bench.house.url + path, 100)
        if _width(page) > LAPTOP["width"] // 2:
            wide.append(path)
    context.close()
    bench.note("sideways scroll at 200 % zoom", len(wide), 0, "pages", " ".join(wide))


def no_scripts(bench: Bench) -> None:
    """Row 24."""
    empty = []
    with night_phone(bench.browser, bench.house, slow=False, scripts=False) as (_c, page, _net):
        for path in pages():
            loaded(page, bench.house.url + path, 0)
            if len(page.locator("main").inner_text().strip()) < 20:
                empty.append(path)
        page.goto(bench.house.url)
        page.get_by_role("button", name="Stop show").click()
        stopped = page.get_by_text("Show stopped").count()
        page.goto(f"{bench.house.url}/release")
        page.locator("main form button").click()
        page.goto(f"{bench.house.url}/props/gatekeeper")
        before = page.locator("output").first.inner_text()
        page.locator(".stepper button").last.click()
        after = page.locator("output").first.inner_text()
    bench.note("pages empty without scripts", len(empty), 0, "", " ".join(empty))
    bench.note("stop and tune that fail without scripts", 2 - stopped - (before != after), 0, "")


def tabs(bench: Bench) -> None:
    """Row 14: browsers open six connections to a server, and each visible tab holds one.

    Hidden tabs let go, so the script hides five as a phone would.
    """
    with night_phone(bench.browser, bench.house, slow=False) as (context, first, _net):
        loaded(first, bench.house.url)
        newest = first
        for number in range(2, 8):
            _hide(newest)
            newest = context.new_page()
            began = time.monotonic()
            newest.goto(bench.house.url, wait_until="load")
            if number >= 6:
                bench.note(f"tab {number} loads", round(time.monotonic() - began, 2), 2, "s")


def _hide(page: Page) -> None:
    page.evaluate(
        "() => { for (const [name, value] of [['hidden', true], ['visibilityState', 'hidden']])"
        " Object.defineProperty(document, name, {value, configurable: true});"
        " document.dispatchEvent(new Event('visibilitychange')); }"
    )
    page.wait_for_timeout(300)


def frozen(bench: Bench) -> None:
    """Rows 12 and 13, and P21 of the reliability list: a hung server, then one started again."""
    with night_phone(bench.browser, bench.house, slow=False) as (_context, page, _net):
        loaded(page, bench.house.url, 3000)
        bench.house.freeze()
        bench.note("frozen: said so after", _until(page, visible=True), 6, "s")
        bench.house.thaw()
        bench.note("thawed: forgotten after", _until(page, visible=False), 3, "s")
        page.wait_for_timeout(3000)
        ended = bench.house.stop()
        bench.note("shutdown with a page open", round(ended, 2), 3, "s")
        bench.house.start()
        bench.note("started again: the page listens after", _listening(bench.house), 5, "s")


def _until(page: Page, *, visible: bool) -> float:
    began = time.monotonic()
    stale = expect(page.locator("#stale"))
    (stale.to_be_visible if visible else stale.to_be_hidden)(timeout=30_000)
    return round(time.monotonic() - began, 2)


def _listening(house: RealHouse) -> float:
    """Return seconds from the first answer of a new server until the open page has its stream."""
    began = time.monotonic()
    while time.monotonic() < began + 30:
        with urllib.request.urlopen(f"{house.url}/metrics") as answer:
            if b"\nhaunt_streams 1\n" in answer.read():
                break
        time.sleep(0.05)
    return round(time.monotonic() - began, 2)


def lighthouse(bench: Bench) -> None:
    """Row 5, where it is installed."""
    command = os.environ.get("LIGHTHOUSE", "")
    if not command:
        print("--   Lighthouse: not measured, LIGHTHOUSE names no command")
        return
    for path in FIRST:
        for name, score in _scores(command, bench.house.url + path):
            aim = 0.95 if name == "performance" else 1.0
            bench.note(f"Lighthouse {name} short of", round(aim - score, 2), 0, "", path)


def _scores(command: str, url: str) -> Iterator[tuple[str, float]]:
    only = "performance,accessibility,best-practices"
    chrome = "--chrome-flags=--headless=new --no-sandbox --disable-gpu"
    told = subprocess.run(
        [command, url, "--quiet", "--output=json", f"--only-categories={only}", chrome],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "CHROME_PATH": "/usr/bin/chromium"},
    )
    found: dict[str, Any] = json.loads(told.stdout)["categories"]
    for name, category in found.items():
        yield name, float(category["score"])


SECTIONS: dict[str, Section] = {
    "first": first_view, "weight": weight, "taps": taps, "server": server, "looks": looks,
    "zoom": zoom, "scripts": no_scripts, "tabs": tabs, "live": live, "lighthouse": lighthouse,
    "frozen": frozen,
}  # fmt: skip


def main(wanted: list[str]) -> int:
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        house = RealHouse(data=Path(folder) / "data")
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        try:
            house.start()
            bench = Bench(browser, house)
            for name in wanted or SECTIONS:
                print(f"-- {name}, load {os.getloadavg()[0]:.1f}", flush=True)
                SECTIONS[name](bench)
        finally:
            house.end()
            browser.close()
    over, load = [each for each in bench.figures if not each.holds], os.getloadavg()[0]
    print(f"{len(bench.figures)} figures, {len(over)} over their aim, load {load:.1f}")
    return 1 if over else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
