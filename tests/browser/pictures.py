"""Makes the README's pictures from the running demo: `python -m tests.browser.pictures`.

Tonight, the log of one prop, Tune and Findings, as on a phone. Tune weighs the demo's own night.
"""

import subprocess
import time
import urllib.request
from pathlib import Path
from typing import Final

from playwright.sync_api import Page, sync_playwright

from tests.browser.house import picture
from tests.system.house import HAUNT, ROOT, free_port, until

LIVELY_S: Final = 100
"""So long the demo's visitors walk before the first picture."""
TO: Final = ROOT / "web" / "manual"
PICTURES: Final = (
    ("tonight", "/"),
    ("why", "/log?prop=gatekeeper"),
    ("tune", "/tune/gatekeeper"),
    ("findings", "/findings"),
)


def take(page: Page, base: str, name: str, path: str) -> Path:
    page.goto(base + path)
    page.wait_for_timeout(15_000 if name == "tune" else 1500)  # weighing takes its seconds
    raw = picture(page)
    file = TO / f"{name}.png"
    file.write_bytes(raw)
    return file


def answers(base: str) -> bool:
    try:
        with urllib.request.urlopen(f"{base}/livez", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def main() -> None:
    port = free_port()
    words = [*HAUNT, "demo", "--port", str(port), "--no-browser", "--seed", "11"]
    demo = subprocess.Popen(words, cwd=ROOT)
    base = f"http://127.0.0.1:{port}"
    try:
        until(lambda: answers(base), "the demo to answer")
        time.sleep(LIVELY_S)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path="/usr/bin/chromium", args=["--no-sandbox"]
            )
            page = browser.new_page(viewport={"width": 360, "height": 740})
            for name, path in PICTURES:
                print(take(page, base, name, path))
            browser.close()
    finally:
        demo.terminate()
        demo.wait()


if __name__ == "__main__":
    main()
