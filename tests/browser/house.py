"""A stand-in server as a process of its own, and the looks that several tests take at a page."""

import signal
import socket
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Protocol, TypeVar
from urllib.error import URLError

from PIL import Image, ImageStat
from playwright.sync_api import Browser, BrowserContext, Error, Page

from tests.browser.nursery import Nursery
from tests.site.stage import secret_of, token_of

ROOT = Path(__file__).resolve().parents[2]
PAGES = (
    "/",
    "/props/lantern",
    "/log",
    "/boards",
    "/boards/b-owl",
    "/release",
    "/help",
    "/account",
    "/people",
    "/people/2",
    "/logbook",
    "/nothing",
)
BEARER = {"authorization": f"Bearer {token_of('owner')}"}
THEMES = ("night", "red", "light")
PHONE = {"width": 360, "height": 740}
LAPTOP = {"width": 1280, "height": 800}
START_S = 60.0
"""Patience with a machine that others keep busy; it takes a tenth of a second."""
GREY = (0.2126, 0.7152, 0.0722, 0.0)
"""Luminance of red, green and blue (ITU-R BT.709)."""
NURSERY = Nursery()
TRIES = 20

AnyHouse = TypeVar("AnyHouse", bound="House")


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port: int = found.getsockname()[1]
        return port


class Process(Protocol):
    def poll(self) -> int | None: ...
    def send_signal(self, sig: int, /) -> None: ...
    def kill(self) -> None: ...
    def wait(self, timeout: float, /) -> int: ...


@dataclass(slots=True)
class House:
    """The stand-in; `freeze` and `thaw` are what a hung controller looks like from a phone."""

    kind: str = "evening"
    port: int = field(default_factory=free_port)
    _process: Process | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def process(self) -> Process:
        return NURSERY.child(self.port, self.kind)

    def start(self) -> None:
        self._process = self.process()
        until = time.monotonic() + START_S
        while not self.answers():
            assert self._process.poll() is None, "the stand-in ended at once"
            assert time.monotonic() < until, "the stand-in does not answer"
            time.sleep(0.03)

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"{self.url}/livez", timeout=2) as answer:
                return bool(answer.status == 200)
        except (URLError, OSError):
            return False

    def post(self, path: str) -> None:
        url = f"{self.url}/api/v1{path}"
        request = urllib.request.Request(url, b"", BEARER, method="POST")
        urllib.request.urlopen(request, timeout=5).close()

    def metric(self, name: str) -> int:
        request = urllib.request.Request(f"{self.url}/metrics", headers=BEARER)
        with urllib.request.urlopen(request, timeout=5) as answer:
            lines = answer.read().decode().splitlines()
        [line] = [each for each in lines if each.startswith(f"{name} ")]
        return int(line.split()[1])

    def freeze(self) -> None:
        self._send(signal.SIGSTOP)

    def thaw(self) -> None:
        self._send(signal.SIGCONT)

    def stop(self) -> float:
        """End it as a person would; return the seconds that it took."""
        assert self._process is not None
        begun = time.monotonic()
        self._send(signal.SIGINT)
        self._process.wait(15)
        return time.monotonic() - begun

    def end(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._send(signal.SIGCONT)
            self._process.kill()
            self._process.wait(15)

    def _send(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)


@contextmanager
def open_house(found: AnyHouse) -> Iterator[AnyHouse]:
    try:
        found.start()
        yield found
    finally:
        found.end()


def context_of(
    browser: Browser,
    house: House,
    theme: str = "night",
    size: dict[str, int] = PHONE,
    *,
    scripts: bool = True,
    role: str = "owner",
) -> BrowserContext:
    """A browser that is signed in already; with an empty role it is not."""
    context = browser.new_context(
        viewport={"width": size["width"], "height": size["height"]},
        has_touch=size is PHONE,
        java_script_enabled=scripts,
    )
    context.add_cookies([{"name": "theme", "value": theme, "url": house.url}])
    if role:
        context.add_cookies(
            [{"name": f"haunt-{house.port}", "value": secret_of(role), "url": house.url}]
        )
    return context


def picture(page: Page) -> bytes:
    """The first frame there is: between two documents Chromium has none to take for a moment."""
    for _ in range(TRIES - 1):
        try:
            return page.screenshot()
        except Error as fault:
            if "Unable to capture" not in fault.message:
                raise
    return page.screenshot()


def brightness(page: Page) -> float:
    """Return the mean grey, 0 to 255, of what is on the screen."""
    with Image.open(BytesIO(picture(page))) as found:
        grey = found.convert("RGB").convert("L", GREY)
        return float(ImageStat.Stat(grey).mean[0])
