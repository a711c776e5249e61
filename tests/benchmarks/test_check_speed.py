"""Goal: `haunt check` on a show of 200 props answers before anybody wonders.

Method: the sums beside a bare parse of the same text in one process, and the whole command beside
the same command on three props; limits are three times the aim, as machines are busy.
"""

import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from haunt.study.findings.book import look
from haunt.wire.showfile import read_show

pytestmark = pytest.mark.benchmark

PROPS = 200
SECONDS_AIM = 0.3
PARSES_AIM = 12  # of tomllib, for reading, checking and all sums together
RATIO_AIM = 1.8  # of the same command on the three props of the first example
SMALL = Path(__file__).parent.parent.parent / "haunt" / "examples" / "first-night.toml"


def big_show() -> str:
    """Every board with pack, pins, driver and motor; every prop loud, flashing and linked."""
    head = (
        '[show]\nid = "big"\ntime_zone = "Europe/Berlin"\nnight_low_c = 3\n'
        '[[night]]\ndate = 2026-10-30\nopens = "18:00"\ncloses = "21:00"\n'
        '[[night]]\ndate = 2026-10-31\nopens = "18:00"\ncloses = "22:00"\n'
        '[[phase]]\nname = "gentle"\nfrom = "18:00"\nto = "19:00"\nmax_intensity = 2\n'
        "[stagger]\nradius_m = 5\ngap_s = 6\n"
        '[limits]\nflash_hz = 3\nboundary = [{ name = "fence", x_m = 0, y_m = 40, '
        "max_level_dba = 65 }]\n"
    )
    return head + "".join(
        f"""
[[board]]
id = "b{n}"
model = "esp32"
x_m = {n * 3}
y_m = 1
driver = "drv8833"
regulator = "78m05"
idle_ma = 80
pins = {{ pir = 27, arm = 25, eyes = {5 if n % 10 == 0 else 26} }}
battery = {{ chemistry = "lipo", series = 2, capacity_mah = {700 if n % 20 == 0 else 5000} }}
wire = {{ length_m = 1, awg = 18 }}
[[sensor]]
id = "s{n}"
board = "b{n}"
[[prop]]
id = "p{n}"
board = "b{n}"
view = "v{n // 3}"
cooldown_s = 20
duty = 0.25
motor = {{ volts = 6, running_ma = 500, stall_ma = 1500 }}
[[prop.behaviour]]
id = "growl"
duration_s = 6.5
motor_on_s = 3
level_dba = 80
flash_hz = 2
peak_ma = 900
average_ma = 450
[[prop.behaviour]]
id = "hiss"
duration_s = 4
intensity = 2
level_dba = 60
peak_ma = 400
average_ma = 200
[[link]]
sensor = "s{n}"
prop = "p{n}"
distance_m = 1.0
"""
        for n in range(PROPS)
    )


def best(times: int, run: Callable[[], object]) -> float:
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        run()
        found.append(time.perf_counter() - begun)
    return min(found)


def test_all_sums_cost_a_few_parses_of_the_same_file() -> None:
    text = big_show()
    parse_s = best(3, lambda: tomllib.loads(text))
    whole_s = best(3, lambda: look(read_show(text, "big.toml")))

    print(f"parse {1000 * parse_s:.0f} ms, read and all sums {1000 * whole_s:.0f} ms")
    assert len(look(read_show(text, "big.toml")).findings) >= PROPS / 10
    assert whole_s < 3 * PARSES_AIM * parse_s
    assert whole_s < 3 * SECONDS_AIM


def test_the_command_on_two_hundred_props_ends_little_later_than_on_three(tmp_path: Path) -> None:
    file = tmp_path / "big.toml"
    file.write_text(big_show(), encoding="utf-8")

    def run(*words: str) -> None:
        subprocess.run([sys.executable, *words], check=False, capture_output=True)

    start_s = best(3, lambda: run("-c", "pass"))
    small_s = best(3, lambda: run("-m", "haunt", "check", str(SMALL)))
    whole_s = best(3, lambda: run("-m", "haunt", "check", str(file)))

    print(f"interpreter {start_s:.2f} s, 3 props {small_s:.2f} s, {PROPS} props {whole_s:.2f} s")
    assert whole_s - small_s < 3 * SECONDS_AIM
    assert whole_s < 3 * RATIO_AIM * small_s
