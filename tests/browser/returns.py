"""A phone goes away and comes back, again and again: what it shows is what is, and soon.

`python -m tests.browser.returns --rounds 500`: hidden and shown, offline and online, a hung
server, one started anew. Meanwhile a prop is held or released; the page must show it within
two seconds of the return, and must have said that its news are old where it was away for long.
"""

import argparse
import json
import os
import statistics
import sys
import time
import urllib.request
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

from playwright.sync_api import BrowserContext, Page, expect, sync_playwright

from tests.browser.house import BEARER, NURSERY, House, context_of, open_house

KINDS = ("hidden", "offline", "frozen", "anew")
ROUNDS = (*KINDS, *["hidden", "hidden", "offline"] * 4, "hidden", "frozen", "hidden", "hidden")
"""What comes in which order, again and again; the first four are one of each."""
RIGHT_S, STALE_S, PATIENCE_S = 2.0, 6.0, 30.0
HIDE = """(hidden) => {
  for (const [name, value] of [['hidden', hidden], ['visibilityState', hidden ? 'hidden' : 'visible']])
    Object.defineProperty(document, name, {value, configurable: true});
  document.dispatchEvent(new Event('visibilitychange'));
}"""  # noqa: E501
WORD = "#prop-owl .state strong"


@dataclass(slots=True)
class Told:
    """Seconds from each return to the truth, by kind; and what was not as it should be."""

    took_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    unlabelled: list[str] = field(default_factory=list)

    def late(self, limit_s: float = RIGHT_S) -> int:
        return sum(each > limit_s for kind in self.took_s.values() for each in kind)

    def lines(self) -> list[str]:
        return [
            f"{kind}: {len(each)} rounds, median {statistics.median(each):.2f} s, "
            f"worst {max(each):.2f} s, {sum(e > RIGHT_S for e in each)} over {RIGHT_S:g} s"
            for kind, each in self.took_s.items()
        ]


@dataclass(slots=True)
class Phone:
    house: House
    context: BrowserContext
    page: Page
    told: Told = field(default_factory=Told)
    number: int = 0

    def round(self, kind: str) -> None:
        self.number += 1
        away: Callable[[], None] = getattr(self, f"_{kind}")
        away()
        began = time.monotonic()
        while self.page.locator(WORD).text_content() != self._word():
            assert time.monotonic() < began + PATIENCE_S, f"{kind}: the page never came right"
            time.sleep(0.02)
        expect(self.page.locator("#stale")).to_be_hidden(timeout=1000 * PATIENCE_S)
        self.told.took_s[kind].append(time.monotonic() - began)

    def _hidden(self) -> None:
        self.page.evaluate(HIDE, True)
        self._something_happens()
        self._wait(0.2, 1.0)
        self.page.evaluate(HIDE, False)

    def _offline(self) -> None:
        self.context.set_offline(True)
        self._something_happens()
        self._wait(0.3, 1.5)
        self.context.set_offline(False)

    def _frozen(self) -> None:
        """Long enough that the page must say so."""
        self._something_happens()
        self.house.freeze()
        began = time.monotonic()
        try:
            expect(self.page.locator("#stale")).to_be_visible(timeout=1000 * PATIENCE_S)
            took_s = time.monotonic() - began
            if took_s > STALE_S:
                self.told.unlabelled.append(f"said that it was old only after {took_s:.1f} s")
        finally:
            self.house.thaw()

    def _anew(self) -> None:
        self.house.stop()
        self._wait(0.0, 1.0)
        self.house.start()

    def _wait(self, least_s: float, most_s: float) -> None:
        """Each time another tenth of the way from the least to the most."""
        part = self.number * 7 % 10 / 10
        self.page.wait_for_timeout(1000 * (least_s + (most_s - least_s) * part))

    def _something_happens(self) -> None:
        held = self._word() == "On hold"
        self.house.post(f"/props/owl/{'release' if held else 'hold'}")

    def _word(self) -> str:
        request = urllib.request.Request(f"{self.house.url}/api/v1/props/owl", headers=BEARER)
        with urllib.request.urlopen(request, timeout=5) as answer:
            state: str = json.load(answer)["state"]
        return {"held": "On hold", "on hold": "On hold"}.get(state, state.capitalize())


def go_and_return(phone: Phone, rounds: int, minutes: float = 60) -> Told:
    until = time.monotonic() + 60 * minutes
    for number in range(rounds):
        if time.monotonic() > until:
            break
        if number and number % 50 == 0:
            load = os.getloadavg()[0]
            print(f"{number} rounds, {phone.told.late()} late, load {load:.1f}", flush=True)
        phone.round(ROUNDS[number % len(ROUNDS)])
    return phone.told


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--rounds", type=int, default=500)
    asked.add_argument("--minutes", type=float, default=60, help="end earlier")
    words = asked.parse_args()
    with sync_playwright() as playwright, open_house(House()) as house:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        context = context_of(browser, house)
        page = context.new_page()
        page.goto(house.url)
        told = go_and_return(Phone(house, context, page), words.rounds, words.minutes)
        browser.close()
    NURSERY.close()
    print("\n".join([*told.lines(), *told.unlabelled]))
    count = sum(map(len, told.took_s.values()))
    print(f"{count} rounds, {told.late()} late, load {os.getloadavg()[0]:.1f}")
    return 1 if told.late() or told.unlabelled else 0


if __name__ == "__main__":
    sys.exit(main())
