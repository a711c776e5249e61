"""Goal: the demo is lively within seconds on either broker, and ends at once.

Method: `haunt demo` as a process, asked over HTTP.
"""

import json
import signal
import subprocess
import time
import urllib.request
from typing import Any

import pytest

from tests.system.house import HAUNT, ROOT, free_port, until

pytestmark = pytest.mark.system

LIVELY_S, END_S = 5, 3


@pytest.mark.parametrize("broker", ["auto", "library"])
def test_the_demo_is_lively_soon_and_ends_at_once(broker: str) -> None:
    port = free_port()
    words = [*HAUNT, "demo", "--port", str(port), "--no-browser", "--seed", "7", "--broker", broker]
    process = subprocess.Popen(words, cwd=ROOT, stderr=subprocess.PIPE)
    try:
        until(lambda: _props(port), "the demo's pages")
        began = time.monotonic()
        until(lambda: any(each["fired"] for each in _props(port)), "something to fire")
        until(lambda: any(each["refused"] for each in _props(port)), "something to be refused")
        lively_s = time.monotonic() - began
        assert sum(each["here"] for each in _props(port)) >= 9
        until(lambda: any(each["charge_percent"] for each in _props(port)), "a pack to be read")

        began = time.monotonic()
        process.send_signal(signal.SIGINT)
        assert process.wait(3 * END_S) == 0
        end_s = time.monotonic() - began
        print(f"{broker}: lively after {lively_s:.1f} s, ended in {end_s:.1f} s")
        assert lively_s < 3 * LIVELY_S
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def _props(port: int) -> list[dict[str, Any]]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/props", timeout=2) as answer:
            found: list[dict[str, Any]] = json.load(answer)["items"]
            return found
    except OSError:
        return []
