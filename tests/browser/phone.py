"""What a phone on a slow net at night sees of a page: when, how heavy, how it answers a thumb.

The profile "night phone": 360 by 740, touch, processor four times slower, 100 ms there and back,
1.6 Mbit/s.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Page

from tests.browser.house import PHONE, House, context_of

CPU, RTT_MS, BITS_S = 4, 100, 1_600_000
WATCH = """
const kept = {lcp: 0, shift: 0, taps: {}};
const see = (type, then, more) => new PerformanceObserver(l => l.getEntries().forEach(then))
  .observe({type, buffered: true, ...more});
see('largest-contentful-paint', e => { kept.lcp = e.startTime; });
see('layout-shift', e => { if (!e.hadRecentInput) kept.shift += e.value; });
see('event', e => { if (e.interactionId) {
  kept.taps[e.interactionId] = Math.max(kept.taps[e.interactionId] || 0, e.duration); } },
  {durationThreshold: 16});
document.addEventListener('measure', () => {
  document.documentElement.dataset.seen = JSON.stringify(kept); });
"""


@dataclass(slots=True)
class Net:
    """What went over the line: bytes as they came, and who was asked."""

    bytes: int = 0
    urls: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def foreign(self, house: House) -> list[str]:
        return [each for each in self.urls if not each.startswith((house.url, "data:"))]


@contextmanager
def night_phone(
    browser: Browser,
    house: House,
    theme: str = "night",
    *,
    slow: bool = True,
    scripts: bool = True,
) -> Iterator[tuple[BrowserContext, Page, Net]]:
    context = context_of(browser, house, theme, PHONE, scripts=scripts)
    context.add_init_script(WATCH)
    page, net = context.new_page(), Net()
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    if slow:
        _throttle(session)
    session.on("Network.loadingFinished", lambda e: _add(net, e))
    page.on("request", lambda request: net.urls.append(request.url))
    page.on("console", lambda m: net.said.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda fault: net.said.append(str(fault)))
    yield context, page, net
    context.close()


def _throttle(session: Any) -> None:
    session.send("Emulation.setCPUThrottlingRate", {"rate": CPU})
    session.send(
        "Network.emulateNetworkConditions",
        {
            "offline": False,
            "latency": RTT_MS,
            "downloadThroughput": BITS_S / 8,
            "uploadThroughput": BITS_S / 8,
        },
    )


def _add(net: Net, event: dict[str, Any]) -> None:
    net.bytes += int(event["encodedDataLength"])


def seen(page: Page) -> dict[str, Any]:
    """Return what the page's observers kept: lcp (ms), shift, and the duration of each tap (ms)."""
    found: dict[str, Any] = page.evaluate(
        "() => { document.dispatchEvent(new Event('measure'));"
        " return JSON.parse(document.documentElement.dataset.seen); }"
    )
    return found


def loaded(page: Page, url: str, settle_ms: int = 600) -> int:
    """Load a page and let it be for a moment; return its status."""
    answer = page.goto(url, wait_until="load")
    page.wait_for_timeout(settle_ms)
    return 0 if answer is None else answer.status
