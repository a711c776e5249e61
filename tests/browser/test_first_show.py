"""Goal: from an empty data folder to a prop that answers a visitor, on a phone, with few taps.

Method: the real server on an empty folder, Chromium as the phone, the firmware on MicroPython as
the board, which gets nothing but the file that the page shows. Taps and typed characters count.
"""

import json
import re
import socket
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.browser.house import PHONE
from tests.firmware.modules import FIRMWARE, MICROPYTHON
from tests.system.house import HAUNT, ROOT, free_port, until

pytestmark = pytest.mark.system

TAPS_MAX = 15
TYPED_MAX = 40
PATIENCE_MS = 15_000
TIMES = 10


class Thumb:
    """Counts what a person does."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps, self.typed = page, 0, 0

    def tap(self, words: str) -> None:
        self.page.locator("button, a.button, nav a").get_by_text(words, exact=True).or_(
            self.page.get_by_role("button", name=words, exact=True)
        ).first.click()
        self.taps += 1

    def type(self, field: str, words: str) -> None:
        self.page.fill(f"[name={field}]", words)
        self.taps, self.typed = self.taps + 1, self.typed + len(words)


@pytest.fixture
def ending() -> Iterator[ExitStack]:
    with ExitStack() as found:
        yield found


@pytest.fixture
def set_up(tmp_path: Path, ending: ExitStack) -> str:
    """Start the server where nothing is; return the link that it prints."""
    log = tmp_path / "server.log"
    with log.open("wb") as said:
        words = ("--listen", f"127.0.0.1:{free_port()}", "--mqtt", "127.0.0.1:0")
        process = subprocess.Popen(
            [*HAUNT, "serve", "--data", tmp_path / "data", *words],
            stderr=said,
            stdout=said,
            cwd=ROOT,
        )
    ending.callback(process.wait, 15)
    ending.callback(process.terminate)
    found: str = until(
        lambda: re.findall(r"http\S+/set-up\S+", log.read_text(encoding="utf-8")), "the link"
    )[0]
    return found


def plug_in(file: str, folder: Path, ending: ExitStack) -> int:
    """Power a board that has this file, its pins played by a script; return the script's port."""
    port, path = free_port(), folder / "gatekeeper.json"
    script = {"pins": "script", "control_port": port, "pin_log": str(folder / "pins.jsonl")}
    path.write_text(json.dumps({**json.loads(file), **script, "spread_ms": 0}), encoding="utf-8")
    with (folder / "board.log").open("wb") as said:
        command = [str(MICROPYTHON), "-X", "heapsize=256k", str(FIRMWARE / "main.py"), str(path)]
        board = subprocess.Popen(command, stdout=said, stderr=said)
    ending.callback(board.wait, 15)
    ending.callback(board.kill)
    return port


def _walk_past(sensor: str, script: int, page: Page) -> None:
    """Walk by until the page shows it, over the stream: the first time may be before it listens."""
    hit = page.locator(".hit .big")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as hand:
        for _ in range(TIMES):
            for word in ("motion", "clear"):
                hand.sendto(f"{word} {sensor}".encode(), ("127.0.0.1", script))
            try:
                expect(hit).to_have_text(sensor, timeout=1500)
            except AssertionError:
                continue
            return
    expect(hit).to_have_text(sensor)


def test_a_first_show_takes_few_taps_and_no_text_editor(
    chromium: Browser, set_up: str, tmp_path: Path, ending: ExitStack
) -> None:
    page = chromium.new_page(viewport={"width": PHONE["width"], "height": PHONE["height"]})
    page.set_default_timeout(PATIENCE_MS)
    thumb, house = Thumb(page), set_up.split("/set-up", maxsplit=1)[0]
    page.goto(set_up)
    thumb.type("name", "Mara")
    thumb.type("password", "three wet lanterns")
    thumb.tap("Set up")
    thumb.tap("First show")
    thumb.type("name", "Gatekeeper")
    thumb.type("sensor_pin", "4")
    thumb.type("prop_pin", "16")
    thumb.tap("Add it")
    thumb.tap("Make the file")
    script = plug_in(page.locator("pre").first.inner_text(), tmp_path, ending)
    thumb.tap("First show")
    _soon(page, "Here")
    assert (
        page.request.get(f"{set_up.split('/set-up', maxsplit=1)[0]}/labels.pdf?prop=gatekeeper")
        .body()
        .startswith(b"%PDF")
    )
    thumb.tap("Walk test")
    thumb.tap("Begin walk test")
    _walk_past("gatekeeper-pir", script, page)
    thumb.tap("End walk test")
    page.goto(f"{house}/first")
    thumb.taps += 1
    thumb.tap("Open the night")

    expect(page.locator("main")).to_contain_text("open by its hours")
    print(f"\nfirst show: {thumb.taps} taps, {thumb.typed} characters typed")
    assert thumb.taps <= TAPS_MAX
    assert thumb.typed <= TYPED_MAX


def _soon(page: Page, words: str) -> None:
    """What the page says sooner or later, looked at anew like a person would."""

    def seen() -> bool:
        page.reload()
        return words in page.locator("main").inner_text()

    until(seen, f"{words} on {page.url}")
