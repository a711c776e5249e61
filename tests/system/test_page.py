"""Goal: a person's page of the real server tells what real boards did, without loading it anew.

Method: server, Mosquitto, a firmware board and Debian's Chromium, each a process.
"""

import subprocess
import sys
import time
from pathlib import Path

import pytest
from playwright.sync_api import expect, sync_playwright

from tests.system.house import ROOT, SHOW, House, until

pytestmark = [pytest.mark.system, pytest.mark.browser]

START_LIMIT_S = 1.5


def test_the_decision_comes_to_the_open_page_and_stop_stills_the_board(tmp_path: Path) -> None:
    with House(tmp_path, SHOW) as house, sync_playwright() as playwright:
        gate = house.board("gate", ("gate-mat",), {"keeper": {"growl": 1000}})
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        page = browser.new_page(viewport={"width": 360, "height": 740})
        page.goto(house.server.told("people", "add", "Wren", "--role", "watch")["url"])
        page.get_by_role("button", name="Sign in").click()
        expect(page).to_have_url(f"{house.server.url}/")
        card = page.locator("#prop-keeper")
        expect(card).to_contain_text("Ready")

        gate.visitor("gate-mat")
        expect(card).to_contain_text("Fired growl", timeout=5000)
        until(lambda: gate.lit() == 1, "the lamp")

        page.get_by_role("button", name="Stop show").click()
        expect(page.locator("body")).to_contain_text("stopped", timeout=3000, ignore_case=True)
        until(lambda: house.server.prop("keeper")["state"] == "stopped", "the stop")
        browser.close()


def test_it_serves_soon_after_it_is_started(tmp_path: Path) -> None:
    """The first start of all, which makes its database and its broker as well."""
    began = time.monotonic()
    subprocess.run([sys.executable, "-c", "import fastapi, sqlalchemy, paho"], check=True, cwd=ROOT)
    imports_s = time.monotonic() - began
    with House(tmp_path, SHOW) as house:
        print(f"start {house.server.started_s:.2f} s, bare imports {imports_s:.2f} s")
        assert house.server.started_s < 3 * START_LIMIT_S
