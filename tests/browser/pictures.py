"""Makes the README's picture from the running demo: `python -m tests.browser.pictures`."""

import subprocess
import sys
import time

from playwright.sync_api import sync_playwright

from tests.system.house import HAUNT, ROOT, free_port

LIVELY_S = 25


def main() -> None:
    port = free_port()
    words = [*HAUNT, "demo", "--port", str(port), "--no-browser", "--seed", "11"]
    demo = subprocess.Popen(words, cwd=ROOT)
    try:
        time.sleep(LIVELY_S)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(
                executable_path="/usr/bin/chromium", args=["--no-sandbox"]
            )
            page = browser.new_page(viewport={"width": 360, "height": 740}, device_scale_factor=2)
            page.goto(f"http://127.0.0.1:{port}/")
            page.wait_for_timeout(1500)
            page.screenshot(path=ROOT / "web" / "manual" / "tonight.png")
            page.set_viewport_size({"width": 1280, "height": 800})
            page.wait_for_timeout(500)
            page.screenshot(path=sys.argv[1] if len(sys.argv) > 1 else "/tmp/tonight-wide.png")
            browser.close()
    finally:
        demo.terminate()
        demo.wait()


if __name__ == "__main__":
    main()
